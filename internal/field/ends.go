package field

import (
	"fmt"
	"net/http"
	"strings"

	"meterwright/internal/page"
	"meterwright/record"
	"meterwright/rules"
	"meterwright/visit"
)

// stopPage fills the screen.
type stopPage struct {
	visitFrame
	Title    string
	Seen     string
	Do       []string
	Owner    string
	Category string
	Told     []string
	Resume   bool
	Ways     []wayOn
}

func (h *Handler) stopped(c *call, id string) {
	e := c.e
	p := stopPage{visitFrame: h.visitFrame(c, "Stop"), Title: stopTitle(e, id), Resume: id == "declared"}
	p.Do = []string{"Step back and keep others clear", "Tell somebody: ring your office", "Decide whether work can go on or ends here"}
	for _, s := range e.method().Stops {
		if s.ID == id {
			p.Do, p.Owner, p.Resume = s.Do, string(s.Owner), s.Resume != ""
			p.Category = categoryWords(h.opts.Pack, s.Scheme, s.Category)
			for _, allowed := range s.Allows {
				for _, a := range e.method().Acts {
					if string(a.ID) == allowed {
						p.Ways = append(p.Ways, wayOn{Words: upperFirst(a.Words), Form: []answer{{Name: "kind", Value: string(visit.KindActed)}, {Name: "act", Value: allowed}}})
					}
				}
			}
		}
	}
	a := e.visit.Account()
	since := len(a.Stops) - 1
	if since >= 0 {
		for _, l := range a.Story {
			if l.Event == a.Stops[since].Event {
				p.Seen = clock(l.At) + " " + l.Words
			}
		}
		for _, r := range a.Reports {
			if !r.At.Before(a.Stops[since].At) {
				words := clock(r.At) + " " + r.To
				if r.Name != "" {
					words += ", " + r.Name
				}
				if r.Reference != "" {
					words += ", reference " + r.Reference
				}
				p.Told = append(p.Told, words)
			}
		}
	}
	c.write(p.Page())
}

// categoryWords names a category with its scheme, never a bare letter.
func categoryWords(pack *rules.Pack, scheme, code string) string {
	if scheme == "" {
		return ""
	}
	cat, err := pack.Category(scheme, code)
	if err != nil {
		return hyphenless(scheme) + ", category " + code
	}
	return upperFirst(cat.String())
}

// endedPage shows a visit after its end.
type endedPage struct {
	visitFrame
	Outcome, Why, Left, Guarded string
	Found                       []string
	Untested                    []untestedLine
	Open                        []string
	Off                         string
	Holder                      bool
	// Leads says that advice was given.
	Leads bool
}

func (h *Handler) ended(c *call) {
	e := c.e
	a := e.visit.Account()
	p := endedPage{visitFrame: h.visitFrame(c, "Ended"), Outcome: outcomeWords[e.visit.Outcome()], Open: openState(e), Leads: len(a.Advice) > 0}
	if a.End != nil {
		p.Why, p.Left, p.Guarded = a.End.Why, a.End.Left, a.End.Guarded
	}
	for _, s := range a.Stops {
		words := clock(s.At) + " stop: " + s.Title
		if cat := categoryWords(h.opts.Pack, s.Scheme, s.Category); cat != "" {
			words += " · " + cat
		}
		p.Found = append(p.Found, words)
	}
	for _, r := range a.Remarks {
		words := clock(r.At) + " " + r.Words + ", for the " + r.Owner
		if cat := categoryWords(h.opts.Pack, r.Scheme, r.Category); cat != "" {
			words += " · " + cat
		}
		p.Found = append(p.Found, words)
	}
	for _, d := range a.Defects {
		words := clock(d.At) + " " + d.Asset + ": " + d.Words + ", for the " + d.Owner
		if cat := categoryWords(h.opts.Pack, d.Scheme, d.Category); cat != "" {
			words += " · " + cat
		}
		p.Found = append(p.Found, words)
	}
	p.Untested = append(h.untestedLines(e), remainingByPhase(e)...)
	var off []string
	for _, o := range a.Supply {
		if o.On.IsZero() {
			off = append(off, "off since "+clock(o.Off)+", and not on again")
			continue
		}
		off = append(off, fmt.Sprintf("off %s, on %s: %d min", clock(o.Off), clock(o.On), int(o.On.Sub(o.Off).Minutes())))
	}
	p.Off = strings.Join(off, "; ")
	if k, err := record.KeyOf(c.hand.Signer.Public()); err == nil {
		p.Holder = e.holder(k)
	}
	page.Write(c.w, c.r, http.StatusOK, p.Page())
}
