package main

import (
	"fmt"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/internal/sitefile"
	"meterwright/internal/terminal"
	"meterwright/say"
	"meterwright/site"
	"meterwright/world"
)

// position is a position in a state: the flags that predict and netlist share.
type position struct {
	Site      string   `required:"" placeholder:"FILE" help:"The site file."`
	Departure []string `placeholder:"ID" sep:"none" help:"A departure that is there, by its id; repeat for more."`
	Switch    []string `placeholder:"NAME=STATE" sep:"none" help:"A switch and its position; repeat for more."`
	Attach    []string `placeholder:"KIND:POINT,POINT" sep:"none" help:"An instrument that stays on its points; repeat for more."`
}

func (s *streams) site(file string) (*sitefile.Position, error) {
	return parsed(s, file, sitefile.Parse)
}

// world solves the position.
func (a *position) world(s *streams) (*sitefile.Position, *world.World, error) {
	p, err := s.site(a.Site)
	if err != nil {
		return nil, nil, err
	}
	w, err := a.solve(p)
	return p, w, err
}

func (a *position) solve(p *sitefile.Position) (*world.World, error) {
	var err error
	for _, id := range a.Departure {
		d, err := p.Site.DepartureNamed(id)
		if err != nil {
			return nil, fmt.Errorf("--departure: %w", err)
		}
		for _, other := range p.Departures {
			if other.ID == d.ID {
				return nil, fmt.Errorf("--departure: %q is there already: name each once", id)
			}
		}
		p.Departures = append(p.Departures, d)
	}
	for _, text := range a.Switch {
		name, to, ok := strings.Cut(text, "=")
		if !ok {
			return nil, fmt.Errorf("--switch: %q has no position: write NAME=STATE, for example carrier=out", text)
		}
		if p.Switching, err = p.Site.Put(p.Switching, site.Setting{Switch: site.SwitchID(name), Position: site.Position(to)}); err != nil {
			return nil, fmt.Errorf("--switch: %w", err)
		}
	}
	setup := world.Setup{Site: p.Site, Values: &p.Values, Switching: p.Switching, Departures: p.Departures}
	for _, text := range a.Attach {
		kind, points, ok := strings.Cut(text, ":")
		if !ok {
			return nil, fmt.Errorf("--attach: %q names no points: write KIND:POINT,POINT, for example voltmeter:meter.l-in,meter.n-in", text)
		}
		in := instrument.New(instrument.Kind(kind), instrument.Sound)
		for _, d := range p.Departures {
			if d.Kind == kind {
				in.Condition = instrument.Condition(d.Condition)
			}
		}
		on := world.On{Instrument: in}
		for _, id := range strings.Split(points, ",") {
			on.Points = append(on.Points, site.PointID(id))
		}
		setup.Attached = append(setup.Attached, on)
	}
	w, err := world.New(setup)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", a.Site, err)
	}
	if _, err := w.Check(); err != nil {
		return nil, fmt.Errorf("%s: %w", a.Site, err)
	}
	return w, nil
}

// predictCommand shows what every instrument would show and what a hand would meet.
type predictCommand struct {
	position
	asJSON
}

type measurement struct {
	From       site.PointID    `json:"from"`
	To         site.PointID    `json:"to,omitempty"`
	Third      site.PointID    `json:"third,omitempty"`
	Instrument instrument.Kind `json:"instrument"`
	// Open is volts between the points without the instrument; Shown is what the
	// instrument itself gets, in Unit.
	Open       float64               `json:"open"`
	Shown      float64               `json:"shown"`
	Unit       string                `json:"unit"`
	Indication instrument.Indication `json:"indication"`
}

type touched struct {
	Part      site.PointID `json:"part"`
	Volts     float64      `json:"volts"`
	MilliAmps float64      `json:"milliamps"`
	Reach     bool         `json:"within_reach"`
}

type register struct {
	Line  string  `json:"line"`
	Volts float64 `json:"volts"`
	Amps  float64 `json:"amperes"`
	Watts float64 `json:"watts"`
}

type prediction struct {
	Site       string   `json:"site"`
	State      string   `json:"state"`
	Departures []string `json:"departures"`
	// Nodes holds the sources that run in step with the supply, volts to true earth.
	Nodes map[string][2]float64 `json:"nodes"`
	// Others holds each group of sources that runs out of step, by its number.
	Others       map[string]map[string][2]float64 `json:"out_of_step,omitempty"`
	Measurements []measurement                    `json:"measurements"`
	Touch        []touched                        `json:"touch"`
	Registers    []register                       `json:"registers"`
}

func unit(k instrument.Kind) string {
	switch k {
	case instrument.LoopTester, instrument.Continuity:
		return "ohm"
	case instrument.Clamp, instrument.RCDTester:
		return "A"
	}
	return "V"
}

func nodes(w *world.World, group int) map[string][2]float64 {
	list := make(map[string][2]float64, len(w.Circuit.Nodes))
	for _, n := range w.Circuit.Nodes {
		v, _ := w.Node(n, group)
		list[n] = [2]float64{v.Re, v.Im}
	}
	return list
}

func (c *predictCommand) predict(s *streams) (*prediction, error) {
	p, w, err := c.world(s)
	if err != nil {
		return nil, err
	}
	out := &prediction{Site: p.Name, State: p.Site.Describe(p.Switching), Departures: []string{}}
	for _, d := range p.Departures {
		out.Departures = append(out.Departures, d.ID)
	}
	for i, g := range w.Groups() {
		if g == 0 {
			out.Nodes = nodes(w, i)
			continue
		}
		if out.Others == nil {
			out.Others = map[string]map[string][2]float64{}
		}
		out.Others[fmt.Sprint(g)] = nodes(w, i)
	}
	for _, t := range world.Tests(p.Site) {
		r, err := w.Read(w.Instrument(t.Kind), t.Points...)
		if err != nil {
			return nil, err
		}
		m := measurement{From: t.Points[0], Instrument: t.Kind, Open: r.Open, Shown: r.Shown, Unit: unit(t.Kind), Indication: r.Indication}
		if len(t.Points) > 1 {
			m.To = t.Points[1]
		} else if t.Kind == instrument.NonContact {
			m.To = site.Body
		}
		if len(t.Points) > 2 {
			m.Third = t.Points[2]
		}
		out.Measurements = append(out.Measurements, m)
	}
	touch, err := w.Touches()
	if err != nil {
		return nil, err
	}
	for _, t := range touch {
		out.Touch = append(out.Touch, touched(t))
	}
	for _, r := range w.Registers() {
		out.Registers = append(out.Registers, register(r))
	}
	return out, nil
}

func (c *predictCommand) Run(s *streams) error {
	p, err := c.predict(s)
	if err != nil {
		return err
	}
	return s.show(p, func(t *terminal.Text) {
		t.Line("%s: %s", p.Site, p.State)
		for _, d := range p.Departures {
			t.Put(0, "terminal.predict.with", "departure", d)
		}
		rows := [][]string{strings.Split(t.Say("terminal.predict.tests"), "|")}
		for _, m := range p.Measurements {
			on := string(m.From)
			for _, o := range []site.PointID{m.To, m.Third} {
				if o != "" {
					on += ", " + string(o)
				}
			}
			rows = append(rows, []string{string(m.Instrument), on, fmt.Sprintf("%.1f", m.Open), m.Indication.String()})
		}
		t.Table(rows)
		rows = [][]string{strings.Split(t.Say("terminal.predict.touch"), "|")}
		for _, h := range p.Touch {
			reach := say.Either(h.Reach, "answer.yes", "answer.no")
			rows = append(rows, []string{string(h.Part), fmt.Sprintf("%.1f", h.Volts), fmt.Sprintf("%.1f", h.MilliAmps), t.Say(reach)})
		}
		t.Table(rows)
		rows = [][]string{strings.Split(t.Say("terminal.predict.meter"), "|")}
		for _, r := range p.Registers {
			rows = append(rows, []string{r.Line, fmt.Sprintf("%.1f", r.Volts), fmt.Sprintf("%.2f", r.Amps), fmt.Sprintf("%.0f", r.Watts)})
		}
		t.Table(rows)
		t.Head("model.caution")
		t.Put(0, "caution")
	})
}

type netlistCommand struct {
	position
	Group int `help:"The group of sources that is alive: 0 runs in step with the supply, 1 does not." default:"0"`
	asJSON
}

func (c *netlistCommand) Run(s *streams) error {
	_, w, err := c.world(s)
	if err != nil {
		return err
	}
	if !slices.Contains(w.Groups(), c.Group) {
		return fmt.Errorf("--group: there is no group %d here: write one of %v", c.Group, w.Groups())
	}
	var b strings.Builder
	if err := w.Circuit.WriteSPICE(&b, c.Group); err != nil {
		return err
	}
	return s.show(struct {
		Group int    `json:"group"`
		Deck  string `json:"deck"`
	}{c.Group, b.String()}, func(t *terminal.Text) { t.Raw([]byte(strings.TrimSuffix(b.String(), "\n"))) })
}

type departuresCommand struct {
	Site string `required:"" placeholder:"FILE" help:"The site file."`
	asJSON
}

func (c *departuresCommand) Run(s *streams) error {
	p, err := s.site(c.Site)
	if err != nil {
		return err
	}
	list := p.Site.Departures()
	return s.show(struct {
		Site       string           `json:"site"`
		Departures []site.Departure `json:"departures"`
	}{p.Name, list}, func(t *terminal.Text) {
		t.Put(0, "terminal.departures", "site", p.Name, "n", len(list))
		rows := [][]string{strings.Split(t.Say("terminal.departures.heads"), "|")}
		for _, d := range list {
			danger := say.Either(d.Danger, t.Say("terminal.danger"), "")
			rows = append(rows, []string{d.ID, fmt.Sprintf("%.0e [%s]", d.Prior.Rate, d.Prior.Mark), danger, d.Words, string(d.Owner)})
		}
		t.Table(rows)
		t.Head("model.caution")
		t.Put(0, "caution")
	})
}
