package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"meterwright/internal/drawing"
	"meterwright/site"
	"meterwright/visit"
)

func (c *composer) position() {
	seen := map[string]int{}
	for _, r := range c.account.Readings {
		seen[r.Point]++
	}
	c.add("position", &Drawing{Picture: drawing.Draw(drawing.Position{Words: c.Speaker, Claims: c.Method().Claims, Readings: seen, Switches: map[string]string{string(site.Cover): "off"}})}) // so that its terminals are seen
}

// brackets lists the provings in words.
func (c *composer) brackets() {
	t := c.table(column{"instrument", 0.24}, column{"proved", 0.22}, column{"again", 0.22}, column{"state", 0.22}, column{"readings", 0.10})
	numbers := map[int][]int{}
	for i, r := range c.account.Readings {
		if r.Bracket >= 0 {
			numbers[r.Bracket] = append(numbers[r.Bracket], i+1)
		}
	}
	for i := range c.account.Brackets {
		b := &c.account.Brackets[i]
		if len(numbers[i]) == 0 {
			continue
		}
		again, state := "", c.Counts(b)
		if b.ClosedOn != nil {
			again = c.w("proved", "at", second(b.ClosedAt), "source", c.SourceOf(*b.ClosedOn))
		}
		if b.Void != nil {
			state = c.w("void", "state", state, "cause", c.Cause(b.Void))
		}
		t.row(b.State != visit.BracketClosed, c.tool(b.Kind, b.Instrument), c.w("proved", "at", second(b.OpenedAt), "source", c.SourceOf(b.Source)), again, state, ranges(numbers[i]))
	}
	c.add("brackets", t)
}

// ranges writes numbers in order, runs of them as one.
func ranges(n []int) string {
	var parts []string
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		if i == j {
			parts = append(parts, fmt.Sprint(n[i]))
		} else {
			parts = append(parts, fmt.Sprintf("%d–%d", n[i], n[j]))
		}
		i = j + 1
	}
	return strings.Join(parts, ", ")
}

// proofs says from when to when each proof held, what it served, and what undid it.
func (c *composer) proofs() {
	t := c.table(column{"shown", 0.34}, column{"stands", 0.18}, column{"served", 0.22}, column{"undone", 0.26})
	for i := range c.account.Proofs {
		p := &c.account.Proofs[i]
		var undone []string
		served := c.served(p.ID, p.Since, time.Time{})
		for j := range p.Undone {
			u := &p.Undone[j]
			undone = append(undone, c.Undone(u))
			if u.Held {
				served = append(c.served(p.ID, u.Since, u.At), served...)
			}
		}
		t.row(false, c.w("sentence", "words", c.Proof(p.ID)), c.ProofState(p), strings.Join(served, "; "), strings.Join(undone, "; "))
	}
	c.add("proofs", t)
}

// served names the acts that asked for a proof while it held; one that holds still has no end.
func (c *composer) served(proof string, from, to time.Time) []string {
	var list []string
	for _, x := range c.account.Acts {
		s, _ := c.Method().Step(x.Step)
		if s == nil || from.IsZero() || x.At.Before(from) || !to.IsZero() && x.At.After(to) || !slices.Contains(s.Needs, proof) || x.InSpite {
			continue
		}
		list = append(list, c.w("served", "act", c.Act(x.Act), "at", second(x.At)))
	}
	return list
}

func (c *composer) acts() {
	t := c.table(column{"time", 0.11}, column{"act", 0.27}, column{"worn", 0.22}, column{"rested", 0.16}, column{"note", 0.24})
	for i := range c.account.Acts {
		x := &c.account.Acts[i]
		note := ""
		if x.InSpite {
			note = c.w("act.in-spite", "why", x.Why)
		}
		if x.Withdrawn {
			note = with(note, c.w("act.withdrawn"))
		}
		t.row(note != "", second(x.At), c.Act(x.Act), c.wearing(x.Worn), c.rests(x), with(note, c.after(x.Happened)))
	}
	c.add("acts", t)
}

func (c *composer) wearing(ids []string) string {
	if len(ids) == 0 {
		return c.w("worn.nothing")
	}
	return c.List(c.Items(ids))
}

// rests says on which readings and answers an act rested, or that it rested on nothing though it asks for proofs.
func (c *composer) rests(x *visit.ActLine) string {
	var on []int
	others := 0
	for _, h := range x.Rests {
		if n := c.number[h]; n > 0 {
			on = append(on, n)
		} else {
			others++
		}
	}
	slices.Sort(on)
	switch s, _ := c.Method().Step(x.Step); {
	case len(on) > 0 && others > 0:
		return c.w("rests.both", "readings", ranges(slices.Compact(on)), "n", others)
	case len(on) > 0:
		return ranges(slices.Compact(on))
	case others > 0:
		return c.w("rests.answers", "n", others)
	case x.InSpite || s != nil && len(s.Needs) > 0:
		return c.w("rests.nothing")
	}
	return ""
}

func (c *composer) refusals() {
	t := c.table(column{"time", 0.11}, column{"refused", 0.28}, column{"lacked", 0.33}, column{"way", 0.28})
	for i := range c.account.Refusals {
		r := &c.account.Refusals[i]
		what, lacks, ways := c.Refusal(&r.Refusal)
		t.row(false, second(r.At), what, with(lacks...), with(ways...))
	}
	c.add("refusals", t)
}

// notAccepted lists what stands in the record and does not count in the visit.
func (c *composer) notAccepted() {
	t := c.table(column{"time", 0.11}, column{"entry", 0.25}, column{"why", 0.64})
	for i := range c.account.Discrepancies {
		x := &c.account.Discrepancies[i]
		t.row(true, second(x.At), c.Event(x.Kind), c.Discrepancy(x))
	}
	for _, u := range c.in.Case.Unread {
		t.row(true, "", u.Kind, c.w("unread", "why", u.Err))
	}
	for i := range c.in.Case.Waiting {
		e := &c.in.Case.Waiting[i]
		t.row(true, second(e.Wall), c.Event(visit.Kind(e.Kind)), c.w("waits", "key", short(e.Key.String()), "line", int(e.Seq)))
	}
	for _, f := range c.in.Case.Forks {
		t.row(true, "", c.w("fork"), c.w("fork.at", "key", short(f.Key.String()), "line", int(f.Seq)))
	}
	c.add("not-accepted", t)
}

// means lists what the readings may mean by the physical model, as the person was told it, with the answers. It
// stands in the whole record alone: it is no finding, and nobody who reads a copy is to take it for one.
func (c *composer) means() {
	list := c.account.Advice
	if len(list) == 0 {
		return
	}
	last := &list[len(list)-1]
	state := c.table(column{"odds", 0.2}, column{"fits", 0.66}, column{"danger", 0.14})
	for i := range last.Fits {
		m := &last.Fits[i]
		state.row(m.Danger && m.Odds() == visit.MostLikely, c.w("meaning", "words", c.Odds(m.Odds())), c.w("meaning", "words", c.Meaning(m)), c.endangers(m))
	}
	if o := last.OutsideOdds(); o != visit.NotLeftOut {
		state.row(false, c.w("meaning", "words", c.Odds(o)), c.w("meaning", "words", c.Say("means.outside")), "")
	}
	about := &Pairs{}
	c.mono(about, "worked-out", second(last.At))
	c.pair(about, "upon", c.upon(last.Upon))
	c.pair(about, "repeat", strings.Join(c.Repeats(c.account, &last.Advised), " "))
	c.pair(about, "untouched", c.w("untouched", "n", last.Untouched))
	if last.Skipped > 0 {
		c.pair(about, "skipped", c.w("skipped", "n", last.Skipped))
	}
	if n := last.Next; n != nil {
		c.pair(about, "next", with(c.Step(n.Step), c.NextTest(&last.Advised)))
	}
	c.pair(about, "engine", last.Engine)
	c.mono(about, "model", last.Model)
	c.mono(about, "site", last.Site)
	history := c.table(column{"time", 0.11}, column{"upon", 0.25}, column{"first", 0.23}, column{"against", 0.23}, column{"answered", 0.18})
	for i := range list {
		a := &list[i]
		var against, answers []string
		for _, e := range a.Against {
			against = append(against, c.Against(e))
		}
		if a.AgainstMore > 0 {
			against = append(against, c.Say("means.against-more", "n", a.AgainstMore))
		}
		for _, x := range a.Answers {
			answers = append(answers, c.w("answered."+x.Answer, "at", second(x.At)), c.w("sentence", "words", x.Why))
		}
		history.row(false, second(a.At), c.upon(a.Upon), c.MeaningLine(&a.Fits[0], c.Meaning(&a.Fits[0])), strings.Join(against, "; "), with(answers...))
	}
	c.add("means", about, state, history).Note = c.Say("means.caution")
}

func (c *composer) endangers(m *visit.Meaning) string {
	if m.Danger {
		return c.w("danger.one")
	}
	return ""
}

// upon is the line of the story that an advice followed.
func (c *composer) upon(event string) string {
	if l := c.lines[event]; l != nil {
		return c.Line(c.account, l)
	}
	return ""
}
