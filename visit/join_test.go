package visit

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// drawState is a state that a visit can come to.
func drawState(t *rapid.T, m *Machine, chain string) *state {
	c, _ := m.stepOn(Control{}, attempt{do: doOpen, step: -1, act: -1, tool: -1})
	for range rapid.IntRange(0, 80).Draw(t, "length") {
		if next, ok := m.stepOn(c, randomAttempt(t, m, &c)); ok {
			c = next
		}
	}
	if rapid.Bool().Draw(t, "ended") {
		c.ended = rapid.SampledFrom(Outcomes()).Draw(t, "outcome")
	}
	c.contested = rapid.IntRange(0, 5).Draw(t, "contested") == 0
	if rapid.Bool().Draw(t, "anything") {
		// More than visits come to in a few steps.
		c.worn, c.fit = uint8(rapid.IntRange(0, 7).Draw(t, "worn")), uint8(rapid.IntRange(0, 7).Draw(t, "fit"))
		c.stop, c.told = int8(rapid.IntRange(0, 3).Draw(t, "stop")), rapid.Bool().Draw(t, "told")
		if c.stop == 0 {
			c.told = false
		}
		for i := range m.proofs {
			c.proofs[i] = rapid.SampledFrom([]proofState{{}, {proofHeld, 0, 1000}, {proofHeld, 0, 2000}, {proofAwaiting, 4, 1000}, {proofAwaiting, 4, 2000}}).Draw(t, "proof")
		}
		for i := range c.fitMS {
			c.fitMS[i] = int32(rapid.IntRange(0, 3).Draw(t, "fitMS"))
		}
		if end := m.sheetEnd(&c); end > c.pos {
			c.done = uint16(rapid.IntRange(0, 1<<16-1).Draw(t, "done"))
			m.stand(&c, c.pos)
		}
		c.owed = int16(rapid.IntRange(0, int(c.pos)).Draw(t, "owed"))
	}
	s := &state{control: c, event: chain, chain: chain, claim: chain, holder: chain, released: rapid.IntRange(0, 4).Draw(t, "released") == 0}
	for i := range s.bracket {
		s.bracket[i] = rapid.IntRange(0, 1).Draw(t, "bracket")
		s.toolID[i] = rapid.SampledFrom([]string{"1", "1", "2"}).Draw(t, "instrument")
	}
	for i := range m.proofs {
		s.runs[i] = rapid.SampledFrom([][]string{{"x"}, {"x"}, {"y"}}).Draw(t, "run")
	}
	day := func(name string) time.Time {
		return time.Date(2026, 11, rapid.IntRange(1, 28).Draw(t, name), 0, 0, 0, 0, time.UTC)
	}
	s.latest, s.acted, s.off = day("latest"), day("acted"), rapid.IntRange(0, 2).Draw(t, "off")
	for i := range s.due {
		s.due[i], s.toolDue[i], s.proved[i] = day("due"), day("calibration"), day("proved")
	}
	return s
}

// Whatever is taken for granted where two devices have not seen one another, either of them has; and
// whatever one of them warns of is warned of.
func TestJoinIsNoCalmerThanEither(t *testing.T) {
	m := sheetedMachine(t)
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawState(t, m, "a"), drawState(t, m, "b")
		ab, ba := m.join(a, b), m.join(b, a)
		if ab.control != ba.control {
			t.Fatalf("the join is not the same either way:\n%+v\n%+v", ab.control, ba.control)
		}
		if ab.latest != ba.latest || ab.acted != ba.acted || ab.due != ba.due || ab.toolDue != ba.toolDue || ab.proved != ba.proved || ab.off != ba.off {
			t.Fatal("the clocks are not the same either way")
		}
		both := ab.control
		for _, s := range []*state{a, b} {
			c := &s.control
			is := func(ok bool, what string) {
				if !ok {
					t.Fatalf("%s:\nof %+v\nfrom %+v", what, *c, both)
				}
			}
			is(both.begun == (a.control.begun || b.control.begun), "begun")
			is(both.away || !c.away, "away")
			is(both.pos <= c.pos, "the later step")
			for i := range int16(len(m.steps)) {
				is(!m.answered(&both, i) || !m.ahead(c, i), "a row of a sheet that is answered")
			}
			is((both.stop != 0) == (a.control.stop != 0 || b.control.stop != 0), "a stop")
			is(c.stop == 0 || both.stop == c.stop || m.graver(both.stop, c.stop), "the graver stop")
			is(!both.told || c.stop == 0 || c.told, "told")
			is(both.worn&^c.worn == 0 && both.fit&^c.fit == 0, "protection")
			is(both.switches&(m.exposed|m.service) == (a.control.switches|b.control.switches)&(m.exposed|m.service), "bared or open")
			is(both.switches&^(m.exposed|m.service)&^c.switches == 0, "a source off")
			is(both.ended == NotEnded || worse(c.ended, both.ended) == both.ended, "the end")
			is(both.ended == NotEnded || c.ended != NotEnded || s.released && c.stop == 0, "an end that one did not come to")
			is(c.owed == 0 || m.ahead(&both, c.owed-1) || both.owed != 0 && both.owed <= c.owed, "owed")
			is(!c.contested || both.contested, "contested")
			is(!s.latest.After(ab.latest) && !s.acted.After(ab.acted), "the latest time")
			is(s.off <= ab.off, "an outage")
			for i := range c.tools {
				is(both.tools[i] <= c.tools[i], "an instrument")
				is(both.tools[i] < toolProved || a.bracket[i] == b.bracket[i] && a.toolID[i] == b.toolID[i], "a bracket")
				is(!ab.toolDue[i].After(s.toolDue[i]) && !ab.proved[i].Before(s.proved[i]), "a date")
			}
			for i := range c.fitMS {
				is(both.fitMS[i] <= c.fitMS[i] && !ab.due[i].After(s.due[i]), "the time of a check")
			}
			for i := range c.facts {
				is(both.facts[i] == 0 || both.facts[i] == c.facts[i], "a fact")
			}
			for i := range m.proofs {
				p, q := both.proofs[i], c.proofs[i]
				is(p.phase == proofNone || p.phase == q.phase && p.rests == q.rests && p.leftMS <= q.leftMS && slices.Equal(ab.runs[i], s.runs[i]), "a proof")
				for k := range c.tools {
					is(p.rests&(1<<k) == 0 || a.bracket[k] == b.bracket[k], "a proof that rests on another bracket")
				}
			}
		}
		if a.control.ended != NotEnded && b.control.ended != NotEnded && both.ended == NotEnded {
			t.Fatal("both ended and it has not ended")
		}
		if a.released == b.released && !a.released && !both.contested {
			t.Fatal("two hold the visit and it is not contested")
		}
		if got := ab.holder; a.released && !b.released && got != "b" || b.released && !a.released && got != "a" {
			t.Fatalf("held by %q", got)
		}
		for i, f := range m.steps {
			if f.does == doDecide && a.control.facts[f.fact] != b.control.facts[f.fact] && !m.ahead(&both, int16(i)) && (both.owed == 0 || both.owed > int16(i)+1) {
				t.Fatal("a fact of which they differ is not owed")
			}
		}
	})
}
