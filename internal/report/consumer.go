package report

import (
	"slices"

	"meterwright/method"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
)

// danger says before anything else what not to touch. A stop that was lifted since endangers nobody.
func (c *composer) danger() {
	w := &Words{Strong: true}
	var off []method.KeepOff
	unnamed := false
	for _, s := range c.account.Stops {
		stop := c.Method().Stop(s.ID)
		switch {
		case !s.LeftAt.IsZero():
		case stop == nil:
			unnamed = true
		case stop.Consumer != "" && len(stop.KeepOff) > 0:
			off = append(off, stop.KeepOff...)
			w.List = append(w.List, c.w("danger.found", "found", stop.Consumer, "reading", c.w("sentence", "words", c.reading(s.Event))))
		default:
			unnamed = unnamed || s.Category == dangerNow
		}
	}
	for _, d := range c.in.Case.Defects() {
		if d.From == replay.FromDefect && d.Category == dangerNow {
			unnamed = unnamed || d.Restricted || len(off) == 0
			if !d.Restricted && theirs(d.Owner) {
				w.List = append(w.List, c.Defect(&d))
			}
		}
	}
	if unnamed || len(off) == 0 && c.in.Case.Visit.Outcome() == visit.StoppedDanger {
		w.List = append(w.List, c.w("danger.unnamed"))
		off = append(off, method.OffMeter)
	}
	for _, k := range method.KeepOffs() {
		if slices.Contains(off, k) {
			w.List = append(w.List, c.KeepOff(k))
		}
	}
	if !w.empty() {
		w.List = append(w.List, c.w("danger.ring", "number", c.in.Pack.Emergency.Value))
	}
	c.add("danger", w).First = true
}

// dangerNow is the category of a danger for which somebody stays, in the scheme of the distributor's reports.
const dangerNow = "A"

// isolated says how it ended, what was isolated, and whether that was agreed.
func (c *composer) isolated() {
	p := &Pairs{}
	c.outcome(p)
	for i := range c.Method().Steps {
		s := &c.Method().Steps[i]
		consent := slices.ContainsFunc(s.Outcomes(), func(u *method.Unexpected) bool {
			stop := c.Method().Stop(u.Stop)
			return stop != nil && stop.Role == method.ConsentStop
		})
		for _, x := range c.in.Case.Answers() {
			if consent && x.Step == s.ID {
				c.shown[x.Event] = true
				c.pair(p, "consent", c.answer(&x))
			}
		}
	}
	if e := c.account.End; e != nil {
		c.pair(p, "left", c.typed(e.Left))
	}
	c.state(p)
	c.add("end", p)
}

// comes says who comes to mend what was found, and whom to ring.
func (c *composer) comes() {
	e := c.in.Pack.Emergency
	w := &Words{}
	var owners []method.Owner
	for _, d := range c.in.Case.Defects() {
		if c.plain(&d) == "" || slices.Contains(owners, d.Owner) {
			continue
		}
		owners = append(owners, d.Owner)
		words := c.w("mends." + string(d.Owner))
		switch {
		case d.Owner == site.Consumer:
		case d.Told == nil:
			words = with(words, c.w("comes.not-told", "owner", c.Owner(d.Owner)))
		default:
			words = with(words, c.w("comes.told", "who", c.Told(d.Told.To, d.Told.Whom, "", d.Told.Reference), "at", d.Told.At))
		}
		w.List = append(w.List, words)
	}
	if c.elsewhere() {
		w.List = append(w.List, c.w("comes.elsewhere"))
	}
	c.add("ring", w, &Words{Strong: true, List: []string{c.w("ring", "number", e.Value, "source", e.Source)}})
}

// theirMeter says which meter hangs there, with its registers.
func (c *composer) theirMeter() {
	roles := []method.FieldRole{method.FinalRegister, method.OpeningRegister, method.OldMeter, method.NewMeter, method.OffTime, method.OnTime, method.AdviceGiven}
	if c.quiet() {
		roles = roles[:2]
	}
	c.add("entries", c.entryTable(having(roles...)))
}
