package field

import (
	"net/url"

	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// stopPage fills the screen.
type stopPage struct {
	visitFrame
	Title string
	Seen  string
	Do    []string
	// Owner is who must mend it, in words; To is that owner, where a method names one. Ring is the distributor's
	// number for danger, where it is theirs to mend or a person called the stop.
	Owner    string
	To       method.Owner
	Ring     string
	Category string
	Told     []string
	Resume   bool
	Ways     []wayOn
	Declares declarations
}

// inForce is the stop in force, as it was raised last, or nil.
func (f *casefile) inForce() *visit.StopLine {
	id, list := f.Visit.Stop(), f.Visit.Account().Stops
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].ID == id && list[i].LeftAt.IsZero() {
			return &list[i]
		}
	}
	return nil
}

// stopWords is the title of the stop in force, in the method's words or those of whoever declared it,
// or nothing.
func (f *casefile) stopWords() string {
	if s := f.inForce(); s != nil {
		return f.words.Stop(s.ID, s.Words)
	}
	if id := f.Visit.Stop(); id != "" {
		return f.words.Stop(id, "")
	}
	return ""
}

func (h *Handler) stopped(c *call, id string) {
	f := c.file
	p := stopPage{visitFrame: h.visitFrame(c, "field.stop.title"), Resume: f.Visit.Resumable(), Declares: f.declarations()}
	p.Title = p.Say("field.stop.head", "stop", f.stopWords())
	if s := f.method().Stop(id); s != nil {
		p.Do, p.To, p.Owner = s.Do, s.Owner, p.Say("field.stop.owner", "owner", p.lang.Owner(s.Owner))
		if s.Owner == site.Distributor || s.Declared {
			p.Ring = h.opts.Pack.Emergency.Value
		}
		p.Category = p.lang.Category(h.opts.Pack.Schemes, s.Scheme, s.Category)
		for _, act := range s.Allows {
			if f.Visit.LeftToDo(site.ActID(act)) {
				p.Ways = append(p.Ways, actWay(f, act))
			}
		}
	} else {
		p.Ring = h.opts.Pack.Emergency.Value
		p.Do = []string{p.Say("field.stop.do.back"), p.Say("field.stop.do.tell"), p.Say("field.stop.do.decide")}
		p.Ways = append(p.Ways, wayOn{Words: p.Say("field.way.acts"), To: p.URL + "/acts"})
	}
	if since := f.inForce(); since != nil {
		if l := f.line(since.Event); l != nil {
			p.Seen = f.words.Say("field.at", "at", l.At, "words", f.words.Alone(f.Visit.Account(), l))
		}
		for _, r := range f.Visit.Account().Reports {
			if !r.At.Before(since.At) {
				p.Told = append(p.Told, p.Say("field.at", "at", r.At, "words", p.lang.Told(r.To, r.Whom, r.Name, r.Reference)))
			}
		}
	}
	c.write(p.Page())
}

// toldPage records who was told.
type toldPage struct {
	visitFrame
	Given url.Values
	Whom  []answer
}

func (h *Handler) told(c *call) {
	p := toldPage{visitFrame: h.visitFrame(c, "field.told.title"), Given: c.given}
	for _, o := range visit.Tellable() {
		p.Whom = append(p.Whom, answer{"to", string(o), p.lang.Owner(o)})
	}
	c.write(p.Page())
}
