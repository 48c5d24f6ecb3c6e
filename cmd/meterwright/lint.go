package main

import (
	"cmp"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"slices"

	"meterwright/internal/terminal"
	"meterwright/internal/yamldoc"
	"meterwright/method"
	"meterwright/method/lint"
	"meterwright/method/written"
	"meterwright/visit"
	"meterwright/visit/laws"
)

type methodLint struct {
	Files  []string `arg:"" help:"Files of methods, overlays or translations." name:"file"`
	States int      `help:"How many states of a visit may be searched for one that breaks a law of the trade, for each proof; 0 leaves the laws out." default:"400000"`
	asJSON
}

type linted struct {
	File     string       `json:"file"`
	Kind     written.Kind `json:"kind"`
	Problems []problem    `json:"problems"`
	// TakesAway is what an overlay takes away: no fault, but somebody's decision.
	TakesAway []problem `json:"takes_away"`
}

type problem struct {
	Code    lint.Code    `json:"code,omitempty"`
	Line    int          `json:"line"`
	Column  int          `json:"column"`
	Problem string       `json:"problem"`
	Mend    string       `json:"mend,omitempty"`
	Away    *method.Away `json:"away,omitempty"`
	text    string
}

func (c *methodLint) Run(s *streams) error {
	shelf, err := openShelf()
	if err != nil {
		return err
	}
	code := exitGood
	all := []linted{}
	for _, name := range c.Files {
		b, err := s.readFile(name, yamldoc.MaxBytes)
		if err != nil {
			code = worst(code, s.report(err))
			continue
		}
		l := shelf.lint(name, b, c.States)
		all = append(all, l)
		switch {
		case len(l.Problems) > 0:
			code = worst(code, exitBad)
		case len(l.TakesAway) > 0:
			code = worst(code, exitUndecided)
		}
	}
	err = s.show(all, func(t *terminal.Text) {
		for _, l := range all {
			for _, p := range append(l.Problems, l.TakesAway...) {
				t.Lines(p.text)
			}
			if len(l.Problems) == 0 {
				t.Put(0, "terminal.lint.good", "file", l.File, "kind", string(l.Kind))
			}
		}
	})
	if err != nil {
		return err
	}
	return settled(code)
}

// lint checks one file by itself and against what it is for.
func (s *shelf) lint(name string, b []byte, states int) linted {
	l := linted{File: name, Kind: written.KindOf(b), Problems: []problem{}, TakesAway: []problem{}}
	found, err := s.findings(name, b, l.Kind, states)
	if err != nil {
		var list written.Problems
		if !errors.As(err, &list) {
			list = written.Locate(name, b, err)
		}
		for _, p := range list {
			l.Problems = append(l.Problems, problem{Line: p.Line, Column: p.Column, Problem: p.Problem, Mend: p.Mend, text: p.Error()})
		}
	}
	for _, f := range found {
		p := written.Locate(name, b, method.Faults{{Pointer: f.Pointer, Problem: f.Problem, Mend: f.Mend}})[0]
		x := problem{Code: f.Code, Line: p.Line, Column: p.Column, Problem: p.Problem, Mend: p.Mend, Away: f.Away, text: p.Error()}
		if f.Wrong() {
			l.Problems = append(l.Problems, x)
			continue
		}
		x.text = fmt.Sprintf("%s:%d:%d: %s", name, p.Line, p.Column, p.Problem)
		l.TakesAway = append(l.TakesAway, x)
	}
	for _, list := range [][]problem{l.Problems, l.TakesAway} {
		slices.SortStableFunc(list, func(a, b problem) int { return cmp.Or(a.Line-b.Line, a.Column-b.Column) })
	}
	return l
}

// findings returns what was found in a file; the error is a written.Problems, or holds the
// method.Faults that came up when the file was applied.
func (s *shelf) findings(name string, b []byte, k written.Kind, states int) ([]lint.Finding, error) {
	against := lint.Against{Methods: s.Methods, Overlays: s.Overlays, Rules: s.limits}
	if states > 0 {
		against.Prove = prover(states)
	}
	switch k {
	case written.Overlay:
		o, err := written.ParseOverlay(name, b)
		if err != nil {
			return nil, err
		}
		d, err := s.Method(o.Of)
		if err != nil {
			return nil, method.Faults{{Pointer: "/of", Problem: err.Error()}}
		}
		return lint.Overlay(o, d, against)
	case written.Translation:
		t, err := written.ParseTranslation(name, b)
		if err != nil {
			return nil, err
		}
		if o, err := s.Overlay(t.Of); err == nil {
			return lint.Translation(t, o)
		}
		d, err := s.Method(t.Of)
		if err != nil {
			return nil, method.Faults{{Pointer: "/translation", Problem: fmt.Sprintf("there is no method or overlay %q", t.Of)}}
		}
		return lint.Translation(t, d)
	}
	d, err := written.Parse(name, b)
	if err != nil {
		return nil, err
	}
	return lint.Method(d, against)
}

// prover searches the visits by a resolved method, at a position without what a job can add, for one
// that breaks a law of the trade. Methods that differ in their limits alone let the same visits happen,
// and are searched once.
func prover(states int) lint.Prover {
	known := map[string][]lint.Finding{}
	return func(r *method.Resolved) ([]lint.Finding, error) {
		if r.Claims.Rates > 1 {
			return nil, nil
		}
		shape, err := shapeOf(r)
		if err != nil {
			return nil, err
		}
		if found, ok := known[shape]; ok {
			return found, nil
		}
		broken, err := visit.Prove(r, states)
		if err != nil {
			return nil, err
		}
		bare := slices.ContainsFunc(r.TakesAway, func(a method.Away) bool { return a.Kind == method.AwayProtection })
		var found []lint.Finding
		for _, f := range broken {
			// Work without protection that an overlay took away is named by what it takes away.
			if bare && slices.Contains([]laws.Law{laws.WithoutProtection, laws.ProbedBare, laws.GlovesOff}, f.Law) {
				continue
			}
			found = append(found, lint.Finding{Code: lint.BreaksLaw, Problem: f.String(), Mend: "let the step need the proof, the protection or the switch that the law asks for"})
		}
		known[shape] = found
		return found, nil
	}
}

// shapeOf is what of a resolved method decides which visits can happen.
func shapeOf(r *method.Resolved) (string, error) {
	steps := slices.Clone(r.Steps)
	for i := range steps {
		if o := steps[i].Observe; o != nil {
			plain := *o
			plain.Limit, plain.Bounds = "", nil
			if o.Bounds != nil {
				plain.Expect = o.Bounds.Unit
			}
			steps[i].Observe = &plain
		}
	}
	b, err := json.Marshal([]any{steps, r.Proofs, r.Stops, r.MakeSafe, r.Switches, r.Acts, r.Points, r.TakesAway}, json.Deterministic(true))
	return string(b), err
}
