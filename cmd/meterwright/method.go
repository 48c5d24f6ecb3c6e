package main

import (
	"errors"

	"meterwright/internal/terminal"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/site"
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
	return shelf.Resolve(c.ID, c.Overlay, c.job(d), shelf.limits)
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
