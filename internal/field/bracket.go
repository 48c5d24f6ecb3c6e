package field

import (
	"slices"

	"meterwright/instrument"
	"meterwright/say"
	"meterwright/visit"
)

// bracketView is the bracket down the edge of a page: what was read with an instrument between two
// provings of it.
type bracketView struct {
	// State is open, closed, void, or none where the instrument is not proved.
	State string
	Label string
	// Lines are the readings that rest on it, latest last.
	Lines []readingLine
	// More says how many readings are not listed.
	More string
}

type readingLine struct{ Where, Shows string }

// maxBracketLines bounds the readings beside a step.
const maxBracketLines = 3

// bracket returns the bracket that matters for a step: that of its instrument, or the last one that
// is open. A proving that has just closed a bracket shows it closed; what is about to be read rests
// on the one that is open now.
func (f *casefile) bracket(kind instrument.Kind, reads bool) bracketView {
	list := f.Visit.Account().Brackets
	at, closed := -1, -1
	for i := range list {
		b := &list[i]
		if b.State == visit.BracketClosed && b.Closed == f.told() {
			closed = i
		}
		if kind != "" && b.Kind == kind || kind == "" && b.State == visit.BracketOpen {
			at = i
		}
	}
	if closed >= 0 && !reads && (kind == "" || list[closed].Kind == kind || at < 0) {
		at = closed
	}
	switch {
	case at >= 0:
		return f.bracketAt(at, maxBracketLines)
	case kind == "":
		return bracketView{}
	}
	return bracketView{State: "none", Label: f.words.Say("field.bracket.none", "kind", f.words.Kind(kind))}
}

// bracketAt shows one bracket with its last readings; limit 0 means all.
func (f *casefile) bracketAt(at, limit int) bracketView {
	a := f.Visit.Account()
	b := &a.Brackets[at]
	v := bracketView{State: string(b.State), Label: f.words.Say("field.bracket."+string(b.State), "kind", f.words.Kind(b.Kind), "opened", b.OpenedAt, "closed", b.ClosedAt)}
	for i := range a.Readings {
		if r := &a.Readings[i]; r.Bracket == at {
			v.Lines = append(v.Lines, readingLine{f.words.Between(r.Point, r.Against), f.shown(r)})
		}
	}
	if n := len(v.Lines) - limit; limit > 0 && n > 0 {
		v.More, v.Lines = f.words.Say("field.bracket.more", "n", n), v.Lines[n:]
	}
	return v
}

func (f *casefile) shown(r *visit.Reading) string {
	if r.Withdrawn {
		return f.words.Say("field.bracket.withdrawn", "shows", f.words.Shows(r.Shows))
	}
	return f.words.Shows(r.Shows)
}

// brackets lists all that hold a reading or are not closed, with what made one void.
func (f *casefile) brackets() []bracketView {
	var all []bracketView
	for i, b := range f.Visit.Account().Brackets {
		v := f.bracketAt(i, 0)
		if len(v.Lines) == 0 && b.State == visit.BracketClosed {
			continue
		}
		if b.Void != nil {
			v.Label = f.words.Say("field.bracket.void-by", "kind", f.words.Kind(b.Kind), "opened", b.OpenedAt, "cause", f.words.Cause(b.Void))
		}
		all = append(all, v)
	}
	return all
}

// showAnswers lists what an instrument can show, as buttons that say what it does, and whether it
// shows a number.
func showAnswers(lang *say.Language, name string, kind instrument.Kind) (answers []answer, number bool) {
	m, _ := instrument.Lookup(kind)
	for _, s := range m.Shows {
		if s != instrument.Value {
			answers = append(answers, answer{name, string(s), lang.Say("field.shows." + string(s))})
		}
	}
	return answers, slices.Contains(m.Shows, instrument.Value)
}
