// Package physics is the commands that show the physical model of a position.
//
// Each command is a struct whose fields are its command line, with a method Do
// that writes what it found.
package physics

import (
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"meterwright/instrument"
	"meterwright/internal/sitefile"
	"meterwright/site"
	"meterwright/world"
)

// ErrRead is in the chain of every error of a file that could not be read or written.
var ErrRead = errors.New("")

// unread marks an error as one of reading or writing.
type unread struct{ error }

func (u unread) Is(target error) bool { return target == ErrRead }
func (u unread) Unwrap() error        { return u.error }

// Caution stands under what the commands write.
const Caution = "The model is a model: it does not say that any part may be touched. This guides and records; it authorises nobody."

// At is a position in a state: the flags that predict and netlist share.
type At struct {
	Site      string   `required:"" placeholder:"FILE" help:"The site file."`
	Departure []string `placeholder:"ID" sep:"none" help:"A departure that is there, by its id; repeat for more."`
	Switch    []string `placeholder:"NAME=STATE" sep:"none" help:"A switch and its position; repeat for more."`
	Attach    []string `placeholder:"KIND:POINT,POINT" sep:"none" help:"An instrument that stays on its points; repeat for more."`
}

func load(file string) (*sitefile.Position, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, unread{fmt.Errorf("read the site: %w", err)}
	}
	return sitefile.Parse(file, b)
}

// world solves the position.
func (a *At) world() (*sitefile.Position, *world.World, error) {
	p, err := load(a.Site)
	if err != nil {
		return nil, nil, err
	}
	for _, id := range a.Departure {
		d, err := p.Site.DepartureNamed(id)
		if err != nil {
			return nil, nil, fmt.Errorf("--departure: %w", err)
		}
		for _, other := range p.Departures {
			if other.ID == d.ID {
				return nil, nil, fmt.Errorf("--departure: %q is there already: name each once", id)
			}
		}
		p.Departures = append(p.Departures, d)
	}
	for _, text := range a.Switch {
		name, to, ok := strings.Cut(text, "=")
		if !ok {
			return nil, nil, fmt.Errorf("--switch: %q has no position: write NAME=STATE, for example carrier=out", text)
		}
		if p.Switching, err = p.Site.Put(p.Switching, site.Setting{Switch: site.SwitchID(name), Position: site.Position(to)}); err != nil {
			return nil, nil, fmt.Errorf("--switch: %w", err)
		}
	}
	setup := world.Setup{Site: p.Site, Values: &p.Values, Switching: p.Switching, Departures: p.Departures}
	for _, text := range a.Attach {
		kind, points, ok := strings.Cut(text, ":")
		if !ok {
			return nil, nil, fmt.Errorf("--attach: %q names no points: write KIND:POINT,POINT, for example voltmeter:meter.l-in,meter.n-in", text)
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
		return nil, nil, fmt.Errorf("%s: %w", a.Site, err)
	}
	if _, err := w.Check(); err != nil {
		return nil, nil, fmt.Errorf("%s: %w", a.Site, err)
	}
	return p, w, nil
}

// Predict shows what every instrument would show and what a hand would meet.
type Predict struct {
	At
	JSON bool `help:"Write JSON."`
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
	Caution      string                           `json:"caution"`
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

func (c *Predict) predict() (*prediction, error) {
	p, w, err := c.world()
	if err != nil {
		return nil, err
	}
	out := &prediction{Site: p.Name, State: p.Site.Describe(p.Switching), Departures: []string{}, Caution: Caution}
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

// Do writes the prediction.
func (c *Predict) Do(w io.Writer) error {
	p, err := c.predict()
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(w, p)
	}
	t := newTable(w)
	t.line("%s: %s", p.Site, p.State)
	for _, d := range p.Departures {
		t.line("with %s", d)
	}
	t.line("")
	t.line("instrument\ton\topen V\tshows")
	for _, m := range p.Measurements {
		on := string(m.From)
		for _, o := range []site.PointID{m.To, m.Third} {
			if o != "" {
				on += ", " + string(o)
			}
		}
		t.line("%s\t%s\t%.1f\t%s", m.Instrument, on, m.Open, m.Indication)
	}
	t.line("")
	t.line("part\tV to true earth\tmA through a person\twithin reach")
	for _, h := range p.Touch {
		reach := "no"
		if h.Reach {
			reach = "yes"
		}
		t.line("%s\t%.1f\t%.1f\t%s", h.Part, h.Volts, h.MilliAmps, reach)
	}
	t.line("")
	t.line("the meter\tV\tA\tW")
	for _, r := range p.Registers {
		t.line("%s\t%.1f\t%.2f\t%.0f", r.Line, r.Volts, r.Amps, r.Watts)
	}
	t.line("")
	t.line("%s", Caution)
	return t.done()
}

// Netlist writes the position as a deck for a SPICE program.
type Netlist struct {
	At
	Group int  `help:"The group of sources that is alive: 0 runs in step with the supply, 1 does not." default:"0"`
	JSON  bool `help:"Write JSON with the deck as one text."`
}

// Do writes the deck.
func (c *Netlist) Do(out io.Writer) error {
	_, w, err := c.world()
	if err != nil {
		return err
	}
	if !has(w.Groups(), c.Group) {
		return fmt.Errorf("--group: there is no group %d here: write one of %v", c.Group, w.Groups())
	}
	if c.JSON {
		var b strings.Builder
		if err := w.Circuit.WriteSPICE(&b, c.Group); err != nil {
			return err
		}
		return writeJSON(out, struct {
			Group int    `json:"group"`
			Deck  string `json:"deck"`
		}{c.Group, b.String()})
	}
	if err := w.Circuit.WriteSPICE(out, c.Group); err != nil {
		return unread{err}
	}
	return nil
}

func has(list []int, x int) bool {
	for _, y := range list {
		if y == x {
			return true
		}
	}
	return false
}

// Departures lists what can be wrong at a position.
type Departures struct {
	Site string `required:"" placeholder:"FILE" help:"The site file."`
	JSON bool   `help:"Write JSON."`
}

// Do writes the list.
func (c *Departures) Do(w io.Writer) error {
	p, err := load(c.Site)
	if err != nil {
		return err
	}
	list := p.Site.Departures()
	if c.JSON {
		return writeJSON(w, struct {
			Site       string           `json:"site"`
			Departures []site.Departure `json:"departures"`
		}{p.Name, list})
	}
	t := newTable(w)
	t.line("%s: %d departures", p.Name, len(list))
	t.line("")
	t.line("id\trate a visit\tdanger\twhat\twhose")
	for _, d := range list {
		danger := ""
		if d.Danger {
			danger = "danger"
		}
		t.line("%s\t%.0e [%s]\t%s\t%s\t%s", d.ID, d.Prior.Rate, d.Prior.Mark, danger, d.Words, d.Owner)
	}
	t.line("")
	t.line("%s", Caution)
	return t.done()
}

func writeJSON(w io.Writer, v any) error {
	if err := json.MarshalWrite(w, v, json.Deterministic(true), jsontext.WithIndent("  ")); err != nil {
		return unread{fmt.Errorf("write the output: %w", err)}
	}
	if _, err := io.WriteString(w, "\n"); err != nil {
		return unread{fmt.Errorf("write the output: %w", err)}
	}
	return nil
}

// table keeps the first error until done.
type table struct {
	w   *tabwriter.Writer
	err error
}

func newTable(w io.Writer) *table { return &table{w: tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)} }

func (t *table) line(format string, args ...any) {
	if _, err := fmt.Fprintf(t.w, format+"\n", args...); err != nil && t.err == nil {
		t.err = err
	}
}

func (t *table) done() error {
	if err := t.w.Flush(); err != nil && t.err == nil {
		t.err = err
	}
	if t.err != nil {
		return unread{fmt.Errorf("write the output: %w", t.err)}
	}
	return nil
}
