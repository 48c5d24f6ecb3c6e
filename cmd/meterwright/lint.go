package main

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"meterwright/internal/terminal"
	"meterwright/internal/yamldoc"
	"meterwright/method"
	"meterwright/method/lint"
	"meterwright/method/written"
)

type methodLint struct {
	Files []string `arg:"" help:"Files of methods, overlays or translations." name:"file"`
	Laws  string   `help:"Where the method is searched for a visit that breaks a law of the trade: at a plain position, at one with everything that a job can claim too, or nowhere." enum:"plain,all,none" default:"plain"`
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
	if c.Laws != "none" {
		shelf.prove = prover(c.Laws == "all")
	}
	code := exitGood
	all := []linted{}
	for _, name := range c.Files {
		b, err := s.readFile(name, yamldoc.MaxBytes)
		if err != nil {
			code = worst(code, s.report(err))
			continue
		}
		l := shelf.lint(name, b)
		all = append(all, l)
		switch {
		case len(l.Problems) > 0:
			code = worst(code, exitBad)
		case len(l.TakesAway) > 0:
			code = worst(code, exitUndecided)
		}
	}
	return s.conclude(code, all, func(t *terminal.Text) {
		for _, l := range all {
			for _, p := range append(l.Problems, l.TakesAway...) {
				t.Lines(p.text)
			}
			if len(l.Problems) == 0 {
				t.Put(0, "terminal.lint.good", "file", l.File, "kind", string(l.Kind))
			}
		}
	})
}

// lint checks one file by itself and against what it is for.
func (s *shelf) lint(name string, b []byte) linted {
	l := linted{File: name, Kind: written.KindOf(b), Problems: []problem{}, TakesAway: []problem{}}
	found, err := s.findings(name, b, l.Kind)
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
func (s *shelf) findings(name string, b []byte, k written.Kind) ([]lint.Finding, error) {
	against := lint.Against{Methods: s.Methods, Overlays: s.Overlays, Rules: s.limits, Prove: s.prove}
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
