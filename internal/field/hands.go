package field

import (
	"net/url"
	"slices"

	"meterwright/record"
)

// handsPage says in whose hands the visit is, where it is not in those of this device alone.
type handsPage struct {
	visitFrame
	Head string
	// Stop is the stop in force, if there is one.
	Stop string
	// Holders are those who hold the visit, or held it in a way that nobody has taken up.
	Holders []holderLine
	// Contested says that more than one device holds the visit.
	Contested bool
	// Ours says that this device is one of them; Chained, that it has a chain in the visit.
	Ours, Chained bool
	Given         url.Values
}

// holderLine is one who holds the visit.
type holderLine struct {
	Who, Since, Last string
	Here             bool
}

func (h *Handler) hands(c *call) {
	f := c.file
	_, contested := f.Visit.Holder()
	p := handsPage{visitFrame: h.visitFrame(c, "field.hands.title"), Contested: contested, Stop: f.stopWords(), Given: c.given, Chained: f.chains[c.key].Next > 0}
	who := ""
	for _, x := range f.Visit.Holdings() {
		line := holderLine{Who: h.whose(f, x.Chain), Here: x.Chain == c.key.String()}
		if l := f.line(x.Since); l != nil {
			line.Since = p.Say("field.hands.since", "since", l.At)
		}
		if x.Released {
			line.Since = p.Say("field.hands.released")
		}
		if e, ok := f.lastOf(x.Chain); ok {
			line.Last = p.Say("field.hands.last", "last", e.Wall)
		}
		if !line.Here {
			who = line.Who
		}
		p.Ours = p.Ours || line.Here
		p.Holders = append(p.Holders, line)
	}
	switch {
	case contested:
		p.Head = p.Say("field.hands.two")
	case p.Ours && len(p.Holders) > 1:
		p.Head = p.Say("field.hands.behind", "who", who)
	case p.Ours:
		p.Head = p.Say("field.hands.released-here")
	default:
		p.Head = p.Say("field.hands.other", "who", who)
	}
	c.write(p.Page())
}

// whose names whoever works with a device.
func (h *Handler) whose(f *casefile, chain string) string {
	i := slices.IndexFunc(h.opts.Hands, func(o *Hand) bool {
		k, err := record.KeyOf(o.Signer.Public())
		return err == nil && k.String() == chain
	})
	if i >= 0 {
		return h.opts.Hands[i].Name
	}
	e, _ := f.lastOf(chain)
	return e.Person
}

// handOverPage leads to the visit in another person's hands.
type handOverPage struct {
	visitFrame
	Others []wayOn
}

func (h *Handler) handOver(c *call) {
	p := handOverPage{visitFrame: h.visitFrame(c, "field.handover.title")}
	for _, o := range h.opts.Hands {
		if o != c.hand {
			p.Others = append(p.Others, wayOn{Words: p.Say("field.handover.to", "who", o.Name), To: h.visitURL(o, c.file.id)})
		}
	}
	c.write(p.Page())
}

// awayPage is shown while the person has left the service position.
type awayPage struct{ visitFrame }

func (h *Handler) away(c *call) { c.write(awayPage{h.visitFrame(c, "field.away.title")}.Page()) }
