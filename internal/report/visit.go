package report

import (
	"time"

	"meterwright/method"
	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
)

// what says which visit it was, by which method, and what an overlay took away from it.
func (c *composer) what() {
	o := &c.in.Case.Opened
	p := &Pairs{}
	stamp := func(t time.Time) string { return t.Format("2006-01-02 15:04:05 -07:00") }
	c.mono(p, "job", o.Job)
	if c.in.Job != nil {
		c.pair(p, "employer", c.in.Job.Employer)
	}
	c.pair(p, "premises", o.Premises.Address)
	c.mono(p, "point", o.Premises.MeterPoint)
	c.mono(p, "meter", o.Premises.Meter)
	c.mono(p, "begun", stamp(c.account.Begun))
	c.mono(p, "last", stamp(c.account.Last))
	m := c.Method()
	c.pair(p, "method", c.w("edition", "what", m.Title, "edition", m.Edition))
	for _, l := range m.Overlays {
		c.pair(p, "overlay", c.w("edition", "what", l.ID, "edition", l.Edition))
		for _, a := range m.TakesAway {
			if a.Overlay == l.ID {
				c.pair(p, "taken-away", c.Away(a))
			}
		}
	}
	if c.in.Copy == Full {
		c.mono(p, "hash", c.in.Case.Visit.Machine().Hash)
		c.pair(p, "rules", m.Rules)
		c.pair(p, "engine", o.Engine)
		c.mono(p, "person", c.List(c.in.Case.People))
		for _, ch := range c.in.Case.Chains {
			c.mono(p, "key", ch.Key.String())
		}
		c.mono(p, "visit", c.in.Case.ID)
		if o.ClockOffset != "" {
			c.pair(p, "offset", c.Quantity(o.ClockOffset, "s"))
		}
	}
	c.add("visit", p)
}

// doubts says what keeps the record from being one line of events that all can be read.
func (c *composer) doubts() []string {
	var list []string
	for _, n := range c.in.Case.Needs() {
		switch n.Code {
		case replay.NeedUnread, replay.NeedWaiting, replay.NeedForked, replay.NeedOneHolder:
			list = append(list, c.Need(&n))
		}
	}
	return list
}

// end says in what state things were left.
func (c *composer) end() {
	p := &Pairs{}
	c.outcome(p)
	if e := c.account.End; e != nil {
		c.pair(p, "why", c.typed(e.Why))
		c.pair(p, "left", c.typed(e.Left))
		c.pair(p, "guarded", c.typed(e.Guarded))
	}
	c.state(p)
	c.add("end", p)
}

// outcome says how the visit ended, and never that it was completed without what it was done in spite of.
func (c *composer) outcome(p *Pairs) {
	words := c.w("outcome.open")
	if e := c.account.End; e != nil {
		words = c.w("outcome", "outcome", c.Outcome(e.Outcome))
		if c.in.Copy == Consumer && c.elsewhere() {
			words = c.w("outcome.elsewhere")
		}
	}
	if n := len(c.spite()); n > 0 {
		words = with(words, c.w("outcome.in-spite", "n", n))
	}
	c.pair(p, "outcome", words)
}

// elsewhere reports whether how a visit ended is not the consumer's to know.
func (c *composer) elsewhere() bool {
	out := c.in.Case.Visit.Outcome()
	return out != visit.NotEnded && out != visit.Completed && (out != visit.StoppedDanger || c.restricted())
}

// state says for how long the supply was off, and names everything that does not stand as a healthy service does.
func (c *composer) state(p *Pairs) {
	for _, o := range c.account.Supply {
		words := c.w("supply.off", "off", second(o.Off))
		if !o.On.IsZero() {
			words = c.w("supply.on", "off", second(o.Off), "on", second(o.On), "for", c.Span(o.On.Sub(o.Off)))
		}
		c.pair(p, "supply", words)
	}
	if len(c.account.Supply) == 0 {
		c.pair(p, "supply", c.w("supply.never"))
	}
	now := c.in.Case.Visit.Switches()
	for _, w := range c.Method().Switches {
		if is := now[string(w.ID)]; is != string(w.Home) {
			p.List = append(p.List, Pair{Name: c.w("name.switch", "switch", w.Words), Value: c.Position(site.Position(is))})
		}
	}
	if worn := c.in.Case.Visit.Worn(); c.account.End == nil && len(worn) > 0 && c.in.Copy != Consumer {
		c.pair(p, "worn", c.List(c.Items(worn)))
	}
}

// story says what happened, line by line; what it may mean has a section of their own, with its caution.
func (c *composer) story() {
	t := c.table(column{"time", 0.11}, column{"happened", 0.89})
	for i := range c.account.Story {
		l := &c.account.Story[i]
		if l.Kind != visit.KindAdvised {
			t.row(l.Kind == visit.KindRefused || l.Kind == visit.KindStopped || len(l.Lacked) > 0,
				second(l.At), with(c.Line(c.account, l), c.after(l.Happened)))
		}
	}
	c.add("story", t)
}

// after says when something happened that was entered afterwards.
func (c *composer) after(happened string) string {
	if words := c.Happened(happened); words != "" {
		return c.w("after", "words", words)
	}
	return ""
}

// access says what a crew has to know before it comes.
func (c *composer) access() {
	p := &Pairs{}
	if j := c.in.Job; j != nil {
		for _, h := range j.Hazards {
			c.pair(p, "hazard", h)
		}
		c.pair(p, "appointment", j.Appointment)
	}
	for _, x := range c.in.Case.Answers() {
		if s, _ := c.Method().Step(x.Step); s != nil && (s.Role == method.HazardQuestion || s.Role == method.AccessQuestion) {
			p.List = append(p.List, Pair{Name: s.Say, Value: c.answer(&x)})
		}
	}
	c.add("access", p)
}
