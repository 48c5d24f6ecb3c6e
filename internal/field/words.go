package field

import (
	"net/url"
	"strings"

	"meterwright/visit"
)

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12]
	}
	return hash
}

func gloved(g bool) string {
	if g {
		return " gloved"
	}
	return ""
}

// heading is the question of a step, with the source of a proving in it.
func (p stepPage) heading() string {
	if p.Kind == visit.KindProved {
		return strings.TrimSuffix(p.Say, ".") + ". What does it show?"
	}
	return p.Say
}

func (p stepPage) enctype() string {
	for _, f := range p.Fields {
		if f.Type == "photograph" {
			return "multipart/form-data"
		}
	}
	return "application/x-www-form-urlencoded"
}

// chosen is the source in the words of the page.
func (p stepPage) chosen() string {
	for _, s := range p.Sources {
		if s.Chosen {
			if s.ID != "" {
				return s.Words + " " + s.ID
			}
			return s.Words
		}
	}
	return "source that you choose"
}

func (p stepPage) sourceURL(kind string) string {
	q := url.Values{"source": {kind}}
	if p.ID == "" {
		for _, h := range p.Hidden {
			if h.Name == "with" {
				q.Set("with", h.Value)
			}
		}
		return p.URL + "/prove?" + q.Encode()
	}
	if p.After {
		q.Set("after", p.Happened)
		if p.Happened == "" {
			q.Set("after", "now")
		}
	}
	if p.Seen {
		q.Set("seen", "1")
	}
	return p.URL + "?" + q.Encode()
}

func (f fieldEntry) label() string {
	l := upperFirst(f.Words)
	if f.Type == "photograph" {
		l = f.Words
	}
	if f.Unit != "" {
		l += ", " + unitWords(f.Unit)
	}
	if f.Optional {
		l += " (may be left empty)"
	}
	return l
}

func toolWords(t toolChoice) string {
	var parts []string
	if w := dueWords("calibration due", t); w != "" {
		parts = append(parts, w)
	}
	if t.Leads != "" {
		parts = append(parts, "leads "+t.Leads)
	}
	return strings.Join(parts, " · ")
}

func dueWords(what string, t toolChoice) string {
	switch {
	case t.Due == "":
		return ""
	case t.Past:
		return what + " " + t.Due + ", which has passed"
	}
	return what + " " + t.Due
}

// stacks reports whether answers are too long to stand side by side.
func stacks(list []answer) bool {
	for _, a := range list {
		if len(a.Words) > 16 {
			return true
		}
	}
	return len(list) != 2 && len(list) != 4
}

// handTo is the address of the visit in another person's hands.
func (p simplePage) handTo(o *Hand) string {
	i := strings.LastIndex(p.URL, "/visits/")
	if i < 0 {
		return p.Base + "/"
	}
	return p.Base + "/" + url.PathEscape(o.ID) + p.URL[i:]
}

// stripCells is the number of cells that tell how far a visit has come.
const stripCells = 9

// cells gives the cells of the strip: done, the present one by its state, and those to come.
func (j jobLine) cells() []string {
	out := make([]string, stripCells)
	if j.Steps == 0 {
		return out
	}
	at := j.Done * stripCells / j.Steps
	for i := range out {
		switch {
		case i < at:
			out[i] = "d"
		case i == at:
			out[i] = map[string]string{"stop": "x", "hold": "h", "away": "w", "going": "n"}[j.State]
		}
	}
	return out
}

// strip is the line under the bar: what is worn, and that a visit is practice.
func (f visitFrame) strip() string {
	var parts []string
	if f.Fictional {
		parts = append(parts, "Practice")
	}
	if f.Worn != "" && !f.Ended {
		parts = append(parts, "worn: "+f.Worn)
	}
	return strings.Join(parts, " · ")
}
