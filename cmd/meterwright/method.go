package main

import (
	"errors"
	"regexp"

	"meterwright/internal/terminal"
	"meterwright/internal/yamldoc"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/site"
)

type methodCommands struct {
	List   methodList   `cmd:"" help:"List the methods and overlays that come with the program." exits:"0 listed|2 the output cannot be written"`
	Show   methodShow   `cmd:"" help:"Show the steps that a visit would follow at a service position as claimed." exits:"0 shown|1 there is no such method, or it does not fit the claims|2 the job cannot be read"`
	Lint   methodLint   `cmd:"" help:"Check files of methods and overlays." exits:"0 no fault|1 a fault|2 a file cannot be read"`
	Schema methodSchema `cmd:"" help:"Write the JSON Schema of a method, or of an overlay, for editors." exits:"0 written|2 the output cannot be written"`
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
		t.Line("Methods")
		for _, l := range all {
			if l.Of == "" {
				t.Line("  %-34s edition %-4s %s, %s, %d written steps", l.ID, l.Edition, l.Country, l.Title, l.Steps)
			}
		}
		t.Line("Overlays")
		for _, l := range all {
			if l.Of != "" {
				t.Line("  %-34s edition %-4s %s (of %s)", l.ID, l.Edition, l.Title, l.Of)
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
		return bad(err)
	}
	if c.JSON {
		b, err := r.Encode()
		if err != nil {
			return bad(err)
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
		return nil, bad(err)
	}
	r, err := shelf.resolve(c.ID, c.Overlay, c.job(d))
	if err != nil {
		return nil, bad(err)
	}
	return r, nil
}

type methodLint struct {
	Files []string `arg:"" help:"Files of methods or overlays." name:"file"`
	asJSON
}

type linted struct {
	File     string    `json:"file"`
	Kind     string    `json:"kind"`
	Problems []problem `json:"problems"`
}

type problem struct {
	Line    int    `json:"line"`
	Column  int    `json:"column"`
	Problem string `json:"problem"`
	Mend    string `json:"mend,omitempty"`
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
		b, err := s.readFile(name, written.MaxBytes)
		if err != nil {
			code = worst(code, s.report(err))
			continue
		}
		l := lint(shelf, name, b)
		all = append(all, l)
		if len(l.Problems) > 0 {
			code = worst(code, exitBad)
		}
	}
	err = s.show(all, func(t *terminal.Text) {
		for _, l := range all {
			for _, p := range l.Problems {
				t.Lines(p.text)
			}
			if len(l.Problems) == 0 {
				t.Line("%s: the %s has no fault", l.File, l.Kind)
			}
		}
	})
	if err != nil {
		return err
	}
	return settled(code)
}

var overlayKey = regexp.MustCompile(`(?m)^overlay:`)

// lint checks one file by itself and against what it is for: a method at each earthing
// arrangement, an overlay on its method.
func lint(shelf *shelf, name string, b []byte) linted {
	l := linted{File: name, Kind: "method", Problems: []problem{}}
	if overlayKey.Match(b) {
		l.Kind = "overlay"
		o, err := written.ParseOverlay(name, b)
		if err == nil {
			var d *method.Document
			if d, err = shelf.Method(o.Of); err == nil {
				err = resolvesEverywhere(shelf, d, []*method.Overlay{o})
				if places, perr := written.PlacesOf(name, b); err != nil && perr == nil {
					err = written.Locate(name, b, places, err)
				}
			}
		}
		l.take(name, err)
		return l
	}
	d, err := written.Parse(name, b)
	if err == nil {
		if err = resolvesEverywhere(shelf, d, nil); err != nil {
			err = locate(name, b, err)
		}
	}
	l.take(name, err)
	return l
}

func resolvesEverywhere(shelf *shelf, d *method.Document, over []*method.Overlay) error {
	for _, a := range site.Arrangements() {
		for _, more := range []bool{false, true} {
			c := claims{Arrangement: string(a), Rates: 1, Export: more, Isolator: more, Switched: more && d.For.Phases == 1, NoSocket: more, Reference: more}
			if more {
				c.Rates, c.Source = 2, []string{"inverter"}
			}
			if _, err := method.Resolve(d, over, c.job(d), shelf.limits); err != nil {
				return err
			}
		}
	}
	return nil
}

// locate finds the places of faults that show only when a method is resolved.
func locate(name string, b []byte, err error) error {
	var faults method.Faults
	doc, perr := yamldoc.Parse(name, b)
	if !errors.As(err, &faults) || perr != nil {
		return err
	}
	places := written.Places{}
	for _, f := range faults {
		at := doc.At(f.Pointer)
		places[f.Pointer] = written.Place{Line: at.Line, Column: at.Column}
	}
	return written.Locate(name, b, places, err)
}

func (l *linted) take(name string, err error) {
	var list written.Problems
	switch {
	case err == nil:
	case errors.As(err, &list):
		for _, p := range list {
			l.Problems = append(l.Problems, problem{p.Line, p.Column, p.Problem, p.Mend, p.Error()})
		}
	default:
		l.Problems = append(l.Problems, problem{Problem: err.Error(), text: name + ": " + err.Error()})
	}
}

type methodSchema struct {
	Of   string `help:"method or overlay." enum:"method,overlay" default:"method"`
	JSON bool   `help:"A schema is JSON in any case."`
}

func (c *methodSchema) Run(s *streams) error {
	m, o, err := written.Schemas()
	if err != nil {
		return err
	}
	if c.Of == "overlay" {
		m = o
	}
	return s.document(m)
}
