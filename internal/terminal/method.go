package terminal

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"meterwright/method"
)

// Lines writes a text of several lines.
func (t *Text) Lines(s string) {
	for l := range strings.SplitSeq(strings.TrimRight(s, "\n"), "\n") {
		t.Line("%s", l)
	}
}

// Method writes the steps that a visit would follow.
func (t *Text) Method(r *method.Resolved, hash string) {
	t.methodLines(r)
	t.Put(0, "terminal.hash", "hash", hash)
	t.Put(0, "terminal.claimed", "claims", strings.Join(t.claims(r), ", "), "terminals", strings.Join(r.Claims.Terminals, " "))
	t.Head("terminal.method.proofs")
	for _, p := range r.Proofs {
		words := fmt.Sprintf("  %-16s %s", p.ID, p.Words)
		if p.Lasts > 0 {
			words += "; " + t.Say("terminal.method.lasts", "span", t.Span(time.Duration(p.Lasts)*time.Minute))
		}
		t.Line("%s", words)
	}
	n := 0
	for _, p := range r.Phases {
		t.Line("")
		t.Line("%s", p.Words)
		for i := range r.Steps {
			if r.Steps[i].Phase == p.ID {
				n++
				t.step(n, &r.Steps[i])
			}
		}
	}
	t.Line("")
	t.Put(0, "marks")
}

func (t *Text) step(n int, s *method.Step) {
	t.Line("%4d  %s: %s", n, s.ID, s.Say)
	note := func(key string, words []string, args ...any) {
		if len(words) > 0 {
			t.Put(8, "terminal.step."+key, append(args, "words", strings.Join(words, ", "))...)
		}
	}
	note("expects", t.expects(s))
	for _, f := range slices.Sorted(maps.Keys(s.When)) {
		note("when", s.When[f], "fact", f)
	}
	note("worn", s.Protect)
	note("needs", s.Needs)
	note("supports", s.Supports)
	if u := s.Unexpected; u != nil && u.Stop != "" {
		note("stop", []string{u.Stop})
	} else if u != nil {
		note("remark", []string{u.Remark})
	}
}

func (t *Text) expects(s *method.Step) []string {
	switch {
	case s.Observe != nil && s.Observe.Bounds != nil:
		return []string{s.Observe.Bounds.Words + ", " + t.LimitSource(s.Observe.Bounds)}
	case s.Observe != nil:
		return []string{s.Observe.Expect}
	case s.Inspect != nil && s.Inspect.Expect != "":
		return []string{s.Inspect.Expect}
	}
	return nil
}
