package field

import (
	"slices"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/say"
	"meterwright/visit"
	"meterwright/walk"
)

// runView is a bracket lying down: what one instrument showed between two provings of it, a cell a
// reading, with what is still to be read.
type runView struct {
	// State is open, closed, void, none where the instrument is not proved, or empty where there is nothing to
	// show. Now says which end is being proved: start, end, or neither.
	State, Now string
	// Head stands over the first proving, Tail over the second.
	Head, Tail string
	Cells      []runCell
	// Void says what made it void and since when nothing counts.
	Void string
}

// runCell is one reading. Class is done, now, ahead or more, which stands for several.
type runCell struct{ Where, Shows, Class string }

// maxCells bounds the cells of a run beside a step, maxMore those that may stand before the one in turn.
const (
	maxCells = 8
	maxPast  = 5
)

// run returns the run that matters at a step: that of its instrument, or the last that is open. A
// proving that has just closed a run shows it closed; what is about to be read rests on the one that is
// open now.
func (f *casefile) run(s *method.Step) runView {
	kind, reads := used(s), s.Observe != nil
	list := f.Visit.Account().Brackets
	at, closed := -1, -1
	for i := range list {
		b := &list[i]
		if b.State == visit.BracketClosed && b.Closed == f.told() {
			closed = i
		}
		if kind != "" && b.Kind == kind || kind == "" && b.State == visit.BracketOpen && f.rests(i) > 0 {
			at = i
		}
	}
	if closed >= 0 && s.Prove == nil && !reads && at < 0 {
		at = closed
	}
	if at < 0 {
		if kind == "" {
			return runView{}
		}
		return f.ahead(runView{State: "none", Now: start(s), Head: f.words.Say("field.run.none", "kind", f.words.Kind(kind)), Tail: f.words.Say("field.run.again")}, s)
	}
	if s.Prove != nil && list[at].State == visit.BracketOpen && f.rests(at) == 0 {
		// Nothing was read since: what is proved now opens the run.
		return f.ahead(runView{State: "none", Now: "start", Head: f.words.Say("field.run.anew", "kind", f.words.Kind(kind), "id", list[at].Instrument), Tail: f.words.Say("field.run.again")}, s)
	}
	v := f.runAt(at)
	if s.Prove != nil && v.State != "closed" {
		v.Now = "end"
		if v.State == "void" {
			v.Now = ""
		}
		return v.clip()
	}
	if reads && v.State == "open" {
		return f.ahead(v, s)
	}
	return v.clip()
}

func start(s *method.Step) string {
	if s.Prove != nil {
		return "start"
	}
	return ""
}

// rests counts the readings that rest on a bracket.
func (f *casefile) rests(bracket int) int {
	n := 0
	for i := range f.Visit.Account().Readings {
		if f.Visit.Account().Readings[i].Bracket == bracket {
			n++
		}
	}
	return n
}

// ahead adds the readings that are still to come from a step on, up to the next proving.
func (f *casefile) ahead(v runView, from *method.Step) runView {
	_, at := f.method().Step(from.ID)
	kind := used(from)
	for i, s := range walk.Steps(f.method(), f.Visit.Facts()) {
		switch {
		case i < at || used(s) != kind || s == from && s.Prove != nil:
		case s.Prove != nil:
			return v.clip()
		case s.ID == from.ID:
			v.Cells = append(v.Cells, runCell{Where: f.words.Between(s.Observe.At, s.Observe.Against), Class: "now"})
		default:
			v.Cells = append(v.Cells, runCell{Where: f.words.Between(s.Observe.At, s.Observe.Against), Class: "ahead"})
		}
	}
	return v.clip()
}

// clip leaves as many cells as there is room for, round the one in turn.
func (v runView) clip() runView {
	if len(v.Cells) <= maxCells {
		return v
	}
	now := slices.IndexFunc(v.Cells, func(c runCell) bool { return c.Class != "done" })
	if now < 0 {
		now = len(v.Cells)
	}
	first := max(0, min(now-maxPast, len(v.Cells)-maxCells))
	v.Cells = slices.Clone(v.Cells)
	if last := first + maxCells; last < len(v.Cells) {
		v.Cells = append(v.Cells[:last-1], runCell{Class: "more"})
	}
	if first > 0 {
		v.Cells = append([]runCell{{Class: "more"}}, v.Cells[first+1:]...)
	}
	return v
}

// runAt is one bracket with all that was read in it.
func (f *casefile) runAt(at int) runView {
	a := f.Visit.Account()
	b := &a.Brackets[at]
	v := runView{State: string(b.State), Head: f.words.Say("field.run.proved", "kind", f.words.Kind(b.Kind), "id", b.Instrument, "opened", b.OpenedAt), Tail: f.words.Say("field.run.again")}
	if b.State == visit.BracketClosed {
		v.Tail = f.words.Say("field.run.closed", "closed", b.ClosedAt)
	}
	for i := range a.Readings {
		r := &a.Readings[i]
		if r.Bracket != at {
			continue
		}
		c := runCell{Where: f.words.Between(r.Point, r.Against), Shows: f.words.Shows(r.Shows), Class: "done"}
		if r.Withdrawn {
			c.Class += " withdrawn"
		}
		v.Cells = append(v.Cells, c)
	}
	if b.Void != nil {
		v.Tail = f.words.Say("field.run.void")
		v.Void = f.words.Say("field.run.void-by", "cause", f.words.Cause(b.Void), "opened", b.OpenedAt)
	}
	return v
}

// runs lists all that hold a reading or are not closed, with what made one void.
func (f *casefile) runs() []runView {
	var all []runView
	for i, b := range f.Visit.Account().Brackets {
		if v := f.runAt(i); len(v.Cells) > 0 || b.State == visit.BracketVoid {
			all = append(all, v)
		}
	}
	return all
}

// failed returns the words for a second proving that failed, where the step in turn is to prove that instrument
// and none was taken up instead; otherwise nothing.
func (f *casefile) failed(s *method.Step) (words string, kind instrument.Kind) {
	if s.Prove == nil {
		return "", ""
	}
	kind = used(s)
	for i := range f.Visit.Account().Brackets {
		if b := &f.Visit.Account().Brackets[i]; b.Kind == kind {
			words = ""
			if b.Void != nil && b.Void.Code == visit.ByProving && b.Instrument == f.inHand(kind) {
				words = f.words.Say("field.run.void-by", "cause", f.words.Cause(b.Void), "opened", b.OpenedAt)
			}
		}
	}
	return words, kind
}

// showAnswers lists what an instrument can show beside a number, as buttons that say what it does.
func showAnswers(lang *say.Language, name string, kind instrument.Kind) (answers []answer, number bool) {
	m, _ := instrument.Lookup(kind)
	for _, s := range m.Shows {
		if s != instrument.Value {
			answers = append(answers, answer{name, string(s), lang.Say("field.shows." + string(s))})
		}
	}
	return answers, slices.Contains(m.Shows, instrument.Value)
}
