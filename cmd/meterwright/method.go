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
	"meterwright/site"
	"meterwright/visit"
	"meterwright/visit/laws"
)

type methodCommands struct {
	List   methodList   `cmd:"" help:"List the methods and overlays that come with the program." exits:"0 listed|2 the output cannot be written"`
	Show   methodShow   `cmd:"" help:"Show the steps that a visit would follow at a service position as claimed." exits:"0 shown|1 there is no such method, or it does not fit the claims|2 the job cannot be read"`
	Lint   methodLint   `cmd:"" help:"Check files of methods, overlays and translations." exits:"0 no fault|1 a fault|2 a file cannot be read|3 no fault, but an overlay takes something away"`
	Schema methodSchema `cmd:"" help:"Write the JSON Schema of a method, an overlay or a translation, for editors." exits:"0 written|2 the output cannot be written"`
}

type methodList struct {
	asJSON
}

type listed struct {
	ID      string `json:"id"`
	Edition string `json:"edition"`
	Title   string `json:"title"`
	Of      string `json:"of,omitempty"`
	Country string `json:"country,omitempty"`
	Steps   int    `json:"steps,omitempty"`
}

func (c *methodList) Run(s *streams) error {
	shelf, err := openShelf()
	if err != nil {
		return err
	}
	var all []listed
	for _, d := range shelf.Methods {
		all = append(all, listed{ID: d.ID, Edition: d.Edition, Title: d.Title, Country: d.Country, Steps: len(d.Steps)})
	}
	for _, o := range shelf.Overlays {
		all = append(all, listed{ID: o.ID, Edition: o.Edition, Title: o.Title, Of: o.Of})
	}
	return s.show(all, func(t *terminal.Text) {
		t.Put(0, "terminal.list.methods")
		for _, l := range all {
			if l.Of == "" {
				t.Line("  %-34s %s", l.ID, t.Say("terminal.list.method", "edition", l.Edition, "country", l.Country, "title", l.Title, "n", l.Steps))
			}
		}
		t.Put(0, "terminal.list.overlays")
		for _, l := range all {
			if l.Of != "" {
				t.Line("  %-34s %s", l.ID, t.Say("terminal.list.overlay", "edition", l.Edition, "title", l.Title, "of", l.Of))
			}
		}
		t.Caution()
	})
}

// claims are the flags that describe a service position.
type claims struct {
	Job         string   `help:"Take the claims, the method and the overlays from a job." placeholder:"FILE"`
	Arrangement string   `help:"TN-S, TN-C-S or TT." default:"TN-C-S"`
	Terminals   []string `help:"The order of the meter's terminals from left to right."`
	Rates       int      `help:"Number of rates." default:"1"`
	Export      bool     `help:"The meter registers export."`
	Switched    bool     `help:"The meter has a switched terminal."`
	Isolator    bool     `help:"There is an isolating switch."`
	FitIsolator bool     `help:"An isolating switch is to be fitted."`
	Unit        []string `help:"Consumer units by name."`
	Source      []string `help:"Sources: inverter, battery, generator, vehicle, second-supply."`
	Metalwork   []string `help:"Exposed metal parts by name."`
	NoSocket    bool     `help:"There is no socket near the meter."`
	Reference   bool     `help:"There is an earth reference that does not belong to the installation."`
}

func (c *claims) job(d *method.Document) method.Job {
	j := method.Job{FitIsolator: c.FitIsolator, Site: site.Spec{Arrangement: site.Arrangement(c.Arrangement), Phases: d.For.Phases, Metering: site.Metering(d.For.Metering),
		Terminals: c.Terminals, Switched: c.Switched, Rates: c.Rates, Export: c.Export, Isolator: c.Isolator, Units: c.Unit, Metalwork: c.Metalwork, NoSocket: c.NoSocket, Reference: c.Reference}}
	for _, s := range c.Source {
		j.Site.Sources = append(j.Site.Sources, site.Source(s))
	}
	return j
}

type methodShow struct {
	ID      string   `arg:"" optional:"" help:"The method; not needed with --job."`
	Overlay []string `help:"Overlays by id, applied in this order."`
	JSON    bool     `help:"Write the resolved method as JSON, in the form that its hash is taken over."`
	claims
}

func (c *methodShow) Run(s *streams) error {
	shelf, err := openShelf()
	if err != nil {
		return err
	}
	r, err := c.resolve(s, shelf)
	if err != nil {
		return err
	}
	hash, err := r.Hash()
	if err != nil {
		return err
	}
	if c.JSON {
		b, err := r.Encode()
		if err != nil {
			return err
		}
		return s.document(b)
	}
	t := terminal.New(s.out, s.words)
	t.Method(r, hash)
	t.Caution()
	return wrote(t)
}

func (c *methodShow) resolve(s *streams, shelf *shelf) (*method.Resolved, error) {
	if c.Job != "" {
		j, err := shelf.readJob(s, c.Job)
		if err != nil {
			return nil, err
		}
		if c.ID != "" {
			j.Method = c.ID
		}
		m, err := shelf.machine(c.Job, j)
		if err != nil {
			return nil, err
		}
		return m.Method, nil
	}
	if c.ID == "" {
		return nil, usage(errors.New("name a method, or give --job"), "meterwright method list shows what there is")
	}
	d, err := shelf.Method(c.ID)
	if err != nil {
		return nil, err
	}
	return shelf.For(c.ID, c.Overlay, c.job(d))
}

type methodSchema struct {
	Of   string `help:"method, overlay or translation." enum:"method,overlay,translation" default:"method"`
	JSON bool   `help:"A schema is JSON in any case."`
}

func (c *methodSchema) Run(s *streams) error {
	b, err := written.Schema(written.Kind(c.Of))
	if err != nil {
		return err
	}
	return s.document(b)
}

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
	against := lint.Against{Methods: s.Methods, Overlays: s.Overlays, Rules: s.Limits, Prove: s.prove}
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

// mostStates is the most states that the search for one proof may take: several times what the largest
// method that comes with the program takes.
const mostStates = 1_000_000

// prover has the laws of the trade proved of a method, by walking every visit that it allows: at a
// position without what a job can add, or at one with it too.
func prover(all bool) lint.Prover {
	p := visit.Proving{Limit: mostStates}
	return func(r *method.Resolved) ([]lint.Finding, error) {
		if r.Claims.Rates > 1 && !all {
			return nil, nil
		}
		broken, err := p.Prove(r)
		if err != nil {
			return nil, err
		}
		bare := slices.ContainsFunc(r.TakesAway, func(a method.Away) bool { return a.Kind == method.AwayProtection })
		var list []lint.Finding
		for _, f := range broken {
			// Work without protection that an overlay took away is named by what it takes away.
			if bare && slices.Contains([]laws.Law{laws.WithoutProtection, laws.ProbedBare, laws.GlovesOff}, f.Law) {
				continue
			}
			list = append(list, lint.Finding{Code: lint.BreaksLaw, Problem: f.Breach.String(),
				Mend: fmt.Errorf("look at the shortest visit that does it, of %d events: %s", len(f.Trace), f.Steps()).Error()})
		}
		return list, nil
	}
}
