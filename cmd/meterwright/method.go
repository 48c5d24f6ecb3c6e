package main

import (
	"errors"
	"fmt"
	"regexp"

	"meterwright/internal/tell"
	"meterwright/internal/yamldoc"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/site"
)

type methodCommands struct {
	List   methodList   `cmd:"" help:"List the methods and overlays that come with the program."`
	Show   methodShow   `cmd:"" help:"Show the steps that a visit would follow at a service position as claimed."`
	Lint   methodLint   `cmd:"" help:"Check files of methods and overlays. Exit 0 when all are good, 1 when one has a fault, 2 when one cannot be read."`
	Schema methodSchema `cmd:"" help:"Write the JSON Schema of a method, or of an overlay, for editors."`
}

type methodList struct {
	JSON bool `help:"Write JSON."`
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
	if c.JSON {
		return writeJSON(s.out, all)
	}
	t := tell.New(s.out)
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
	return wrote(t)
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
	r, err := c.resolve(shelf)
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
		if _, err := s.out.Write(b); err != nil {
			return unread(fmt.Errorf("write the output: %w", err))
		}
		return nil
	}
	t := tell.New(s.out)
	t.Method(r, hash)
	t.Caution()
	return wrote(t)
}

func (c *methodShow) resolve(shelf *shelf) (*method.Resolved, error) {
	if c.Job != "" {
		j, err := shelf.readJob(c.Job)
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
		return nil, coded{exitUsage, errors.New("name a method, or give --job: meterwright method list shows what there is")}
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
	JSON  bool     `help:"Write JSON."`
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
	var all []linted
	t := tell.New(s.out)
	for _, name := range c.Files {
		b, err := readFile(name, yamldoc.MaxBytes)
		if err != nil {
			report(s.err, err)
			code = exitUnread
			continue
		}
		l := lint(shelf, name, b)
		all = append(all, l)
		if len(l.Problems) > 0 && code != exitUnread {
			code = exitBad
		}
		if c.JSON {
			continue
		}
		for _, p := range l.Problems {
			t.Lines(p.text)
		}
		if len(l.Problems) == 0 {
			t.Line("%s: the %s has no fault", name, l.Kind)
		}
	}
	if c.JSON {
		if err := writeJSON(s.out, all); err != nil {
			return err
		}
	}
	if err := wrote(t); err != nil {
		return err
	}
	if code != exitGood {
		return coded{code: code}
	}
	return nil
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
				if err = resolvesEverywhere(shelf, d, []*method.Overlay{o}); err != nil {
					err = written.Locate(name, b, err)
				}
			}
		}
		l.take(name, err)
		return l
	}
	d, err := written.Parse(name, b)
	if err == nil {
		if err = resolvesEverywhere(shelf, d, nil); err != nil {
			err = written.Locate(name, b, err)
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
	if _, err := s.out.Write(m); err != nil {
		return unread(fmt.Errorf("write the output: %w", err))
	}
	return nil
}
