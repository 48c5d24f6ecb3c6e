package field

import (
	json "encoding/json/v2"
	"net/http"
	"slices"
	"strings"
	"time"

	"meterwright/internal/page"
	"meterwright/method"
	"meterwright/say"
	"meterwright/visit"
	"meterwright/walk"
)

// frame is what every page has.
type frame struct {
	Layout page.Layout
	Base   string
	lang   *say.Language
}

// Say is a sentence of the pages; see say.Language.
func (f frame) Say(key string, args ...any) string { return f.lang.Say(key, args...) }

// frame makes the frame of a page with its title.
func (h *Handler) frame(r *http.Request, title string, args ...any) frame {
	lang := h.opts.Language
	f := frame{Layout: page.Layout{Title: lang.Say(title, args...), Class: "field", Sheets: []string{"field.css"}, Scripts: []string{"idiomorph.js", "field.js"}}, Base: h.opts.Base, lang: lang}
	if k, err := r.Cookie("look"); err == nil {
		for part := range strings.SplitSeq(k.Value, ".") {
			switch part {
			case "left":
				f.Layout.Hand = "left"
			case "light", "dark":
				f.Layout.Scheme = part
			}
		}
	}
	return f
}

// plainPage says one thing and leads back.
type plainPage struct {
	frame
	Head, Words, Back string
}

// visitFrame is what every page of a visit has.
type visitFrame struct {
	frame
	// URL is the address of the visit, Day that of the day's jobs.
	URL, Day string
	// State is the hash of the last line that the page knows.
	State            string
	Address          string
	Fictional, Ended bool
	// Stop is the title of the stop in force.
	Stop   string
	Supply supplyView
	// Worn is the protection that is worn.
	Worn    []string
	Problem string
	// Wrong takes the answer given last back as a slip, where that can still be, or leads to a correction.
	Wrong wayOn
	// Screen names what a person looks at: a phase, a sheet, a page.
	Screen string
	// Lapses says when a proof lapses that holds now, and how that is said.
	Lapses []lapseView
}

type lapseView struct {
	At    int64  `json:"at"`
	Words string `json:"words"`
}

// supplyView is how the supply stands, by the events alone: live, out, dead while the dead proof holds, or
// stop.
type supplyView struct {
	State string
	// Out is when the supply went off, Dead when it was proved dead, Until when that proof lapses.
	Out, Dead, Until time.Time
	Minutes          int
}

// Off reports whether the supply is off.
func (s supplyView) Off() bool { return s.State == "out" || s.State == "dead" }

// supply says how the supply of a visit stands.
func (h *Handler) supply(f *casefile) supplyView {
	now := h.opts.Clock.Now()
	o, off := f.Visit.Account().Off()
	switch {
	case f.Visit.Stop() != "":
		return supplyView{State: "stop"}
	case !off:
		return supplyView{State: "live"}
	}
	s := supplyView{State: "out", Out: o.Off, Minutes: max(0, int(now.Sub(o.Off).Minutes()))}
	if f.Visit.ContactBare() {
		return s
	}
	lapses := f.Visit.Lapses()
	for i, p := range f.method().Proofs {
		if x := &f.Visit.Account().Proofs[i]; p.Role == method.DeadProof && x.State == visit.ProofHolds {
			at := slices.IndexFunc(lapses, func(l visit.Lapse) bool { return l.Proof == p.ID })
			if at < 0 {
				s.State, s.Dead = "dead", x.Since
			} else if now.Before(lapses[at].At) {
				s.State, s.Dead, s.Until = "dead", x.Since, lapses[at].At
			}
		}
	}
	return s
}

func (f frame) supplyWords(s supplyView) string {
	switch s.State {
	case "out":
		return f.Say("field.supply.out", "minutes", s.Minutes)
	case "dead":
		return f.Say("field.supply.dead", "at", s.Dead)
	}
	return f.Say("field.supply." + s.State)
}

func (h *Handler) visitFrame(c *call, title string, args ...any) visitFrame {
	f := c.file
	v := visitFrame{frame: h.frame(c.r, title, args...), URL: h.visitURL(c.hand, f.id), Day: h.dayURL(c.hand), State: f.head(),
		Address: f.Opened.Premises.Address, Fictional: f.Opened.Fictional, Problem: c.problem, Supply: h.supply(f),
		Worn: f.words.Items(f.Visit.Worn()), Ended: f.Visit.Outcome().String() != "", Stop: f.stopWords(), Screen: title}
	v.Wrong = h.wrong(c, v.URL)
	now := h.opts.Clock.Now()
	for _, l := range f.Visit.Lapses() {
		if v.Stop == "" && !v.Ended && f.needed(l.Proof) {
			v.Lapses = append(v.Lapses, lapseView{l.At.UnixMilli(), v.Say("field.lapsed", "proof", f.words.Proof(l.Proof), "at", l.At)})
			if v.Problem == "" && !now.Before(l.At) {
				v.Problem = v.Lapses[len(v.Lapses)-1].Words
			}
		}
	}
	return v
}

// wrong takes back the answer given last as a slip, where that can be, or leads to a correction of it.
func (h *Handler) wrong(c *call, url string) wayOn {
	w := wayOn{Words: h.opts.Language.Say("field.links.wrong"), To: url + "/correct"}
	if event, no := c.file.Visit.Slip(c.key.String(), c.hand.ID); no == nil && event != "" {
		return wayOn{Words: w.Words, Form: []answer{{Name: "kind", Value: string(visit.KindCorrected)}, {Name: "event", Value: event}, {Name: "reason", Value: string(visit.Slip)}}}
	}
	for _, l := range slices.Backward(c.file.Visit.Account().Story) {
		if l.Kind.Correctable() {
			w.To += "?event=" + l.Event
			break
		}
	}
	return w
}

// needed reports whether a step that is still to come rests on a proof.
func (f *casefile) needed(proof string) bool {
	return slices.ContainsFunc(walk.Remaining(f.Visit), func(s *method.Step) bool { return slices.Contains(s.Needs, proof) })
}

// held is the frame of a screen that is as high as the window, so that what is pressed lies at one place.
func (h *Handler) held(c *call, title string, args ...any) visitFrame {
	v := h.visitFrame(c, title, args...)
	v.Layout.Class += " held"
	if p := c.file.method().Phase(c.file.Visit.Next().Phase); p != nil {
		v.Screen = "phase " + p.ID
	}
	return v
}

// asked names what is asked, so that an answer to what was asked before is taken for none.
func (f visitFrame) asked() string { return f.Screen + " " + short(f.State) }

// lapses is what lapses, for the script.
func (f visitFrame) lapses() (string, error) {
	if len(f.Lapses) == 0 {
		return "", nil
	}
	b, err := json.Marshal(f.Lapses)
	return string(b), err
}

// strip is the line under the bar: what is worn, and that a visit is practice.
func (f visitFrame) strip() string {
	worn := len(f.Worn) > 0 && !f.Ended
	switch {
	case f.Screen == "field.stop.title": // which says it itself
	case f.Stop != "":
		return f.Say("field.strip.stop", "stop", f.Stop)
	case f.Fictional && worn:
		return f.Say("field.strip.practice-worn", "items", f.Worn)
	case f.Fictional:
		return f.Say("field.strip.practice")
	case worn:
		return f.Say("field.strip.worn", "items", f.Worn)
	}
	return ""
}

// answer is one answer of a choice, or a value that a form carries.
type answer struct{ Name, Value, Words string }

// numberEntry is a number to be typed with a thumb.
type numberEntry struct{ Unit, Value string }

// wayOn is one thing to press: a page to go to, or a form.
type wayOn struct {
	Words string
	To    string
	Form  []answer
}

// storyLine is one line of what happened.
type storyLine struct {
	At, Words string
	// Beside holds what has to be said beside it.
	Beside []string
}

func short(hash string) string { return hash[:min(12, len(hash))] }

func class(on bool, name string) string {
	if on {
		return " " + name
	}
	return ""
}

// arranged says how answers lie: two side by side, three below each other, more in two columns.
func arranged(list []answer) string {
	long := slices.ContainsFunc(list, func(a answer) bool { return len([]rune(a.Words)) > 16 })
	switch {
	case len(list) > 3:
		return "many"
	case len(list) == 2 && !long:
		return "two"
	}
	return "stack"
}
