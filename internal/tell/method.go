package tell

import (
	"fmt"
	"maps"
	"slices"
	"strings"

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
	t.Line("Hash: %s", hash)
	t.Line("Claims: %s, %d-phase, %s, terminals %s", r.Claims.Arrangement, r.Claims.Phases, r.Claims.Metering, strings.Join(r.Claims.Terminals, " "))
	t.Head("Proofs")
	for _, p := range r.Proofs {
		words := fmt.Sprintf("  %-16s %s", p.ID, p.Words)
		if p.Lasts > 0 {
			words += "; lasts " + method.Minutes(p.Lasts)
		}
		t.Line("%s", words)
	}
	n := 0
	for _, p := range r.Phases {
		t.Head("%s", p.Words)
		for i := range r.Steps {
			if r.Steps[i].Phase == p.ID {
				n++
				t.step(n, &r.Steps[i])
			}
		}
	}
	t.Line("")
	t.Line("%s", Marks)
}

func (t *Text) step(n int, s *method.Step) {
	t.Line("%4d  %s: %s", n, s.ID, s.Say)
	note := func(name string, words []string) {
		if len(words) > 0 {
			t.Line("        %s %s", name, strings.Join(words, ", "))
		}
	}
	note("expects:", expects(s))
	for _, f := range slices.Sorted(maps.Keys(s.When)) {
		note("when "+f+":", s.When[f])
	}
	note("worn:", s.Protect)
	note("needs:", s.Needs)
	note("supports:", s.Supports)
	if u := s.Unexpected; u != nil && u.Stop != "" {
		note("otherwise: stop", []string{u.Stop})
	} else if u != nil {
		note("otherwise:", []string{u.Remark})
	}
}

func expects(s *method.Step) []string {
	switch {
	case s.Observe != nil && s.Observe.Bounds != nil:
		b := s.Observe.Bounds
		return []string{fmt.Sprintf("%s [%s: %s]", boundsWords(b), b.Mark, b.Source)}
	case s.Observe != nil:
		return []string{s.Observe.Expect}
	case s.Inspect != nil && s.Inspect.Expect != "":
		return []string{s.Inspect.Expect}
	}
	return nil
}
