package field

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"meterwright/internal/page"
	"meterwright/say"
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
	State                    string
	Address                  string
	Fictional, Ended, Danger bool
	Supply                   supplyView
	// Worn is the protection that is worn.
	Worn    []string
	Problem string
}

// supplyView is how the supply stands, by the events alone.
type supplyView struct {
	Off     bool
	Since   time.Time
	Minutes int
}

// supply says how the supply of a visit stands.
func (h *Handler) supply(f *casefile) supplyView {
	o, off := f.Visit.Account().Off()
	if !off {
		return supplyView{}
	}
	return supplyView{Off: true, Since: o.Off, Minutes: max(0, int(h.opts.Clock.Now().Sub(o.Off).Minutes()))}
}

func (h *Handler) visitFrame(c *call, title string, args ...any) visitFrame {
	f := c.file
	return visitFrame{frame: h.frame(c.r, title, args...), URL: h.visitURL(c.hand, f.id), Day: h.dayURL(c.hand), State: f.head(),
		Address: f.Opened.Premises.Address, Fictional: f.Opened.Fictional, Problem: c.problem, Supply: h.supply(f),
		Worn: f.words.Items(f.Visit.Worn()), Ended: f.Visit.Outcome().String() != "", Danger: f.Visit.Stop() != ""}
}

// strip is the line under the bar: what is worn, and that a visit is practice.
func (f visitFrame) strip() string {
	worn := len(f.Worn) > 0 && !f.Ended
	switch {
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

// stacks reports whether answers are too long to stand side by side.
func stacks(list []answer) bool {
	return slices.ContainsFunc(list, func(a answer) bool { return len([]rune(a.Words)) > 16 }) || len(list) != 2 && len(list) != 4
}
