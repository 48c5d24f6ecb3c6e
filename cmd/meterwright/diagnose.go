package main

import (
	"fmt"
	"strconv"
	"strings"

	"meterwright/diagnose"
	"meterwright/instrument"
	"meterwright/internal/sitefile"
	"meterwright/internal/terminal"
	"meterwright/internal/yamldoc"
	"meterwright/site"
	"meterwright/visit"
	"meterwright/world"
)

// diagnoseCommand says which departures explain what was seen.
type diagnoseCommand struct {
	Site string `required:"" placeholder:"FILE" help:"The site file."`
	Seen string `required:"" placeholder:"FILE" help:"The file of what was seen, in order."`
	asJSON
}

// seenEntry is one line of a file of what was seen: a reading, a proving, or a
// switch that was moved.
type seenEntry struct {
	Instrument instrument.Kind       `json:"instrument"`
	On         []site.PointID        `json:"on"`
	Shows      string                `json:"shows"`
	ProvedOn   instrument.SourceKind `json:"proved_on"`
	Switch     site.SwitchID         `json:"switch"`
	To         site.Position         `json:"to"`
}

type explained struct {
	Departures  [][]string `json:"departures"`
	Probability float64    `json:"probability"`
	Danger      bool       `json:"danger"`
}

type diagnosed struct {
	Site string `json:"site"`
	// Stated is what the site file says of the position, which is believed.
	Stated struct {
		Values     []string `json:"values"`
		Departures []string `json:"departures"`
	} `json:"stated"`
	Groups     []explained `json:"groups"`
	NotInModel float64     `json:"not_in_the_model"`
	Unseen     int         `json:"not_borne_on"`
	// Doubts lists rare dangers that speak for themselves although nothing wrong comes first.
	Doubts []string   `json:"doubts,omitempty"`
	Next   []nextTest `json:"next_tests"`

	at *site.Site
}

type nextTest struct {
	Instrument instrument.Kind `json:"instrument"`
	On         []site.PointID  `json:"on"`
	Nats       float64         `json:"nats"`
	Exposure   float64         `json:"exposure"`
}

// most bounds what is listed.
const (
	mostGroups = 8
	mostNext   = 5
)

func (c *diagnoseCommand) explain(from *streams) (*diagnosed, error) {
	b, err := from.readFile(c.Seen, yamldoc.MaxBytes)
	if err != nil {
		return nil, err
	}
	p, err := from.site(c.Site)
	if err != nil {
		return nil, err
	}
	d, err := yamldoc.Parse(c.Seen, b)
	if err != nil {
		return nil, err
	}
	var f struct {
		Seen []seenEntry `json:"seen"`
	}
	if err := d.Decode(&f); err != nil {
		return nil, err
	}
	e, err := diagnose.New(p.Site, diagnose.Stated{Values: p.Stated, Departures: p.Departures})
	if err != nil {
		return nil, err
	}
	epoch, err := observeAll(e, p, d, f.Seen)
	if err != nil {
		return nil, err
	}
	for done := false; !done; {
		if done, err = e.Think(diagnose.Effort); err != nil {
			return nil, err
		}
	}
	x, err := e.Explain()
	if err != nil {
		return nil, err
	}
	out := &diagnosed{at: p.Site, Site: p.Name, NotInModel: x.Outside, Unseen: x.Unseen, Doubts: x.Doubts}
	for _, v := range p.Stated {
		row := site.Parameters()[v.ID]
		out.Stated.Values = append(out.Stated.Values, strings.TrimSpace(fmt.Sprintf("%s %g ± %g %s", row.Name, v.Value, v.Within, row.Unit)))
	}
	for _, d := range p.Departures {
		out.Stated.Departures = append(out.Stated.Departures, d.ID)
	}
	for i, g := range x.Groups[:min(mostGroups, len(x.Groups))] {
		if i > 0 && g.Probability == 0 {
			break
		}
		out.Groups = append(out.Groups, explained{g.IDs, g.Probability, g.Danger})
	}
	var candidates []diagnose.Candidate
	for _, t := range world.Tests(p.Site) {
		if t.Kind.Passive() {
			candidates = append(candidates, diagnose.Candidate{Switching: p.Switching, Epoch: epoch, Kind: t.Kind, Points: t.Points})
		}
	}
	next, err := e.Next(candidates)
	if err != nil {
		return nil, err
	}
	for _, n := range next[:min(mostNext, len(next))] {
		out.Next = append(out.Next, nextTest{n.Kind, n.Points, n.Nats, n.Exposure})
	}
	return out, nil
}

func observeAll(e *diagnose.Engine, p *sitefile.Position, d *yamldoc.Document, list []seenEntry) (epoch int, err error) {
	for i, s := range list {
		at := fmt.Sprintf("/seen/%d", i)
		if s.Switch != "" {
			if s.Instrument != "" || s.Shows != "" {
				return 0, d.Errorf(at, "write one of them on each line", "a switch and a reading stand together")
			}
			if p.Switching, err = p.Site.Put(p.Switching, site.Setting{Switch: s.Switch, Position: s.To}); err != nil {
				return 0, d.Errorf(at, "", "%s", err)
			}
			epoch++
			continue
		}
		shows, err := instrument.ParseIndication(s.Shows)
		if err != nil {
			return 0, d.Errorf(at, "", "%s", err)
		}
		o := diagnose.Observation{Switching: p.Switching, Epoch: epoch, Kind: s.Instrument, Points: s.On, Shows: shows, Proving: s.ProvedOn}
		if err := e.Observe(o); err != nil {
			return 0, d.Errorf(at, "", "%s", err)
		}
	}
	return epoch, nil
}

func (c *diagnoseCommand) Run(s *streams) error {
	x, err := c.explain(s)
	if err != nil {
		return err
	}
	return s.show(x, x.text)
}

// text says it in words, with odds in a word.
func (x *diagnosed) text(t *terminal.Text) {
	words := t.At(x.at)
	t.Put(0, "terminal.diagnose", "site", x.Site)
	for _, id := range x.Stated.Departures {
		t.Put(0, "terminal.diagnose.stated", "what", words.Explanation(visit.Explanation{id}))
	}
	for _, value := range x.Stated.Values {
		t.Put(0, "terminal.diagnose.stated", "what", value)
	}
	t.Line("")
	for i := range x.Groups {
		g := &x.Groups[i]
		m := visit.Meaning{Danger: g.Danger, Probability: strconv.FormatFloat(g.Probability, 'f', 3, 64)}
		for _, ids := range g.Departures {
			m.Departures = append(m.Departures, ids)
		}
		said := words.Meaning(&m)
		if m.Healthy() && len(x.Stated.Departures) > 0 {
			said = t.Say("terminal.diagnose.healthy-besides")
		}
		t.Line("%s", words.MeaningLine(&m, said))
	}
	if outside := words.Outside(&visit.Advised{Outside: strconv.FormatFloat(x.NotInModel, 'f', 3, 64)}); outside != "" {
		t.Line("%s", outside)
	}
	var doubts []string
	for _, id := range x.Doubts {
		doubts = append(doubts, words.Explanation(visit.Explanation{id}))
	}
	if len(doubts) > 0 {
		t.Head("terminal.diagnose.doubts", "list", strings.Join(doubts, "; "))
	}
	t.Head("terminal.diagnose.unseen", "n", x.Unseen)
	t.Head("terminal.diagnose.next")
	for _, n := range x.Next {
		var on []string
		for _, p := range n.On {
			on = append(on, words.Point(string(p)))
		}
		t.Put(2, "terminal.diagnose.test", "kind", words.Kind(n.Instrument), "points", strings.Join(on, "; "))
	}
	t.Head("means.caution")
	t.Put(0, "model.caution")
	t.Put(0, "caution")
}
