package say

import (
	"cmp"
	"slices"
	"strconv"
	"sync"
	"time"

	"meterwright/method"
	"meterwright/visit"
)

func once[T any](f func() T) func() T { return sync.OnceValue(f) }

func decimals(v float64, n int) string { return strconv.FormatFloat(v, 'f', n, 64) }

// Line is one line of the story: what the event says, what the engine made of it, and the stop that it
// raised.
func (s *Speaker) Line(a *visit.Account, l *visit.Line) string {
	words := s.Alone(a, l)
	for i := range a.Stops {
		if x := &a.Stops[i]; x.Event == l.Event && x.ID != visit.Declared {
			words += " " + s.Say("story.stop", "title", s.Stop(x.ID, ""))
		}
	}
	return words
}

// Alone is Line without the stop that the event raised, for where the stop is said beside it.
func (s *Speaker) Alone(a *visit.Account, l *visit.Line) string {
	body, _ := a.Body(l.Event)
	return s.event(a, l, body)
}

// event words an event. What a person typed stands in it as typed, ended as a sentence.
func (s *Speaker) event(a *visit.Account, l *visit.Line, body visit.Body) string {
	switch b := body.(type) {
	case visit.Opened:
		return s.Say("story.opened", "job", b.Job, "address", b.Premises.Address)
	case visit.Method:
		return s.Say("story.method", "method", s.m.Method, "edition", s.m.Edition)
	case visit.TookUp:
		key := "story.taken-up"
		switch {
		case l.Found == visit.FoundUnexpected && b.Instrument.Due == "":
			key = "story.taken-up-undated"
		case l.Found == visit.FoundUnexpected:
			key = "story.taken-up-past"
		}
		return s.Say(key, "kind", s.Kind(b.Instrument.Kind), "id", b.Instrument.ID, "due", b.Instrument.Due)
	case visit.Checked:
		key := "story.checked"
		if l.Found == visit.FoundUnexpected && b.Found == "sound" {
			key = "story.checked-past"
		}
		return s.because(key, b.Note, "item", s.List(s.Items([]string{b.Item})), "found", s.code("check", b.Found), "due", b.Due)
	case visit.PutOn:
		return s.Say("story.put-on", "items", s.List(s.Items(b.Items)))
	case visit.TookOff:
		if b.InSpite {
			return s.because("story.took-off-in-spite", b.Why, "items", s.List(s.Items(b.Items)))
		}
		return s.Say("story.took-off", "items", s.List(s.Items(b.Items)))
	case visit.Proved:
		key := "story.proved"
		if l.Found != visit.FoundExpected {
			key = "story.not-proved"
		}
		return s.Say(key, "kind", s.Kind(b.Kind), "id", b.ID, "source", s.Source(b.Source.Kind), "shows", s.Shows(b.Shows), "at", l.At)
	case visit.Observed:
		return s.observed(a, l, b)
	case visit.Inspected:
		return s.because("story.answered", b.Note, "step", s.Step(b.Step), "answer", s.Answer(b.Answer))
	case visit.Decided:
		return s.Say("story.answered", "step", s.Step(b.Step), "answer", s.Answer(b.Value))
	case visit.Recorded:
		return s.Say("story.recorded", "entries", s.Entries(b.Step, b.Entries, b.Photographs))
	case visit.Acted:
		if b.InSpite {
			return s.because("story.acted-in-spite", b.Why, "act", s.Act(b.Act))
		}
		return s.Say("story.acted", "act", s.Act(b.Act))
	case visit.LeftOut:
		return s.because("story.left-out", b.Why, "how", s.Omission(b.How), "step", s.Step(b.Step))
	case visit.Returned:
		return s.because("story.returned", b.Why, "step", s.Step(b.Step))
	case visit.WentAway:
		return s.because("story.went-away", b.Why)
	case visit.CameBack:
		return s.Say("story.came-back")
	case visit.Corrected:
		return s.corrected(a, l, &b)
	}
	return s.aside(l, body)
}

// aside words an event that says something of the visit, and does no work.
func (s *Speaker) aside(l *visit.Line, body visit.Body) string {
	switch b := body.(type) {
	case visit.Stopped:
		if b.Why == "" {
			return s.Say("story.stopped.plain")
		}
		return s.Say("story.stopped", "why", b.Why)
	case visit.Reported:
		return s.because("story.reported", b.Words, "who", s.Told(b.To, b.Whom, b.Name, b.Reference))
	case visit.Resumed:
		return s.Say("story.resumed", "why", b.Why)
	case visit.Refused:
		return s.Say("story.refused", "what", s.Reason(b.What))
	case visit.Defect:
		return s.Say("story.defect", "owner", s.Owner(b.Owner), "asset", b.Asset, "words", b.Words)
	case visit.Dependant:
		return s.Say("story.dependant", "words", b.Words)
	case visit.Photograph:
		return s.Say("story.photograph", "of", b.Of)
	case visit.Noted:
		return s.Say("story.noted", "words", b.Words)
	case visit.Advised:
		return s.Say("story.advised", "means", s.MeaningLine(&b.Fits[0], s.Meaning(&b.Fits[0])))
	case visit.Answered:
		if b.Answer == "follow" {
			return s.because("story.followed", b.Why)
		}
		return s.Say("story.set-aside", "why", b.Why)
	case visit.TakenOver:
		key := "story.taken-over"
		switch l.From {
		case "":
		case l.By:
			key = "story.taken-over.own"
		default:
			key = "story.taken-over.from"
		}
		return s.because(key, b.Why, "by", l.By, "from", l.From)
	case visit.HandedOver:
		return s.because("story.handed-over", b.Why)
	case visit.Ended:
		return s.with(s.because("story.ended", b.Why, "outcome", s.Outcome(b.Outcome)), b.Left)
	case visit.Supplement:
		return s.Say("story.supplement", "words", b.Words)
	}
	return s.Event(l.Kind)
}

// because is a sentence with the words of a person after it.
func (s *Speaker) because(key, words string, args ...any) string {
	return s.with(s.Say(key, args...), words)
}

// with adds the words of a person after a sentence.
func (s *Speaker) with(text, words string) string {
	if words == "" {
		return text
	}
	return text + " " + sentence(upperFirst(words))
}

// Answer is an answer to a question, or a value of a fact.
func (s *Speaker) Answer(answer string) string {
	if words := s.m.Display(method.Answers, answer); words != answer {
		return words
	}
	return s.m.Display(method.Values, answer)
}

func (s *Speaker) observed(a *visit.Account, l *visit.Line, b visit.Observed) string {
	for i := range a.Readings {
		r := &a.Readings[i]
		if r.Event != l.Event {
			continue
		}
		text := s.Say("story.observed", "kind", s.Kind(r.Kind), "where", s.Between(r.Point, r.Against), "shows", s.Shows(r.Shows))
		if r.Bounds != nil && r.Judged.Verdict != "" {
			text += " " + s.Say("story.judged", "limit", cmp.Or(s.LimitName(r), s.Limit(r.Bounds)), "mark", r.Bounds.Mark, "verdict", s.Say("judged."+r.Judged.Verdict))
		}
		if r.Judged.Again {
			text += " " + s.Say("story.again")
		}
		return s.with(text, b.Note)
	}
	return s.Event(l.Kind)
}

func (s *Speaker) corrected(a *visit.Account, l *visit.Line, b *visit.Corrected) string {
	c := &visit.Correction{Of: b.Event, Corrected: *b}
	if i := slices.IndexFunc(a.Corrections, func(x visit.Correction) bool { return x.Event == l.Event }); i >= 0 {
		c = &a.Corrections[i]
	}
	was, now := s.Correction(a, c)
	if b.Reason == visit.Slip {
		return s.with(s.Say("story.slip", "was", was, "now", now), b.Why)
	}
	return s.with(s.Say("story.corrected", "was", was, "now", now), b.Why)
}

// Correction is what was entered, and what stands in its place.
func (s *Speaker) Correction(a *visit.Account, c *visit.Correction) (was, now string) {
	body, _ := a.Body(c.Of)
	was, now = s.Said(body), s.Say("correction.withdrawn")
	switch r, recorded := body.(visit.Recorded); {
	case c.Reason == visit.Slip:
		now = s.slipped(a, c)
	case len(c.Entries) > 0 && recorded:
		now = s.Say("correction.now", "now", s.Entries(r.Step, c.Entries, nil))
	case c.Now != "":
		now = s.Say("correction.now", "now", s.retyped(body, c.Now))
	}
	return was, now
}

// slipped is what became of an answer that was taken back as a slip.
func (s *Speaker) slipped(a *visit.Account, c *visit.Correction) string {
	again := time.Time{}
	for i := range a.Story {
		if c.Tested != "" && a.Story[i].Event == c.Tested {
			again = a.Story[i].At
		}
	}
	switch {
	case !c.Lifted.IsZero():
		return s.Say("correction.slip.lifted", "stop", s.Stop(c.Stop, ""), "at", c.Lifted)
	case c.Stop != "":
		return s.Say("correction.slip.stop", "stop", s.Stop(c.Stop, ""))
	case !again.IsZero():
		return s.Say("correction.slip.again", "at", again)
	}
	return s.Say("correction.slip")
}

// retyped is what a correction puts in the place of an answer.
func (s *Speaker) retyped(body visit.Body, now string) string {
	switch body.(type) {
	case visit.Observed, visit.Proved:
		if l, ok := visit.ParseShows(now); ok {
			return s.Shows(l)
		}
	case visit.TookUp:
		return s.Say("correction.due", "due", now)
	case visit.Checked:
		return s.code("check", now)
	}
	return now
}

// Said is what an event answered, in a few words: what is not to be lost of a form that was not
// recorded, or what a correction takes back.
func (s *Speaker) Said(body visit.Body) string {
	switch b := body.(type) {
	case visit.Observed:
		return s.Shows(b.Shows)
	case visit.Inspected:
		return s.Answer(b.Answer)
	case visit.Proved:
		return s.Kind(b.Kind) + ", " + s.Shows(b.Shows)
	case visit.TookUp:
		return s.Say("correction.due", "due", b.Instrument.Due)
	case visit.Checked:
		return s.code("check", b.Found)
	case visit.Decided:
		return s.Answer(b.Value)
	case visit.Recorded:
		return s.Entries(b.Step, b.Entries, nil)
	case visit.Acted:
		return s.Say("story.acted", "act", s.Act(b.Act))
	case visit.LeftOut:
		return s.with(s.Omission(b.How), b.Why)
	case visit.Corrected:
		return s.with(s.Event(visit.KindCorrected), b.Why)
	case visit.Ended:
		return s.with(s.Outcome(b.Outcome), b.Left)
	case nil:
		return ""
	}
	return s.Event(visit.KindOf(body))
}
