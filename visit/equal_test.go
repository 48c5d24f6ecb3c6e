package visit

import (
	"testing"

	"pgregory.net/rapid"
)

// randomAttempt draws an attempt that makes sense for the machine.
func randomAttempt(t *rapid.T, m *Machine, c *Control) attempt {
	a := attempt{step: -1, act: -1, tool: -1}
	at := int(c.pos)
	if end := m.sheetEnd(c); end > c.pos {
		at = rapid.IntRange(at, int(end)).Draw(t, "row")
	}
	if rapid.IntRange(0, 3).Draw(t, "elsewhere") == 0 || at >= len(m.steps) {
		at = rapid.IntRange(0, len(m.steps)-1).Draw(t, "step")
	}
	s := &m.steps[at]
	switch rapid.IntRange(0, 12).Draw(t, "sort") {
	case 0, 1, 2, 3, 4, 5:
		a = attempt{do: s.does, step: int16(at), act: s.act, tool: s.tool, items: s.items, source: s.sources, result: expected}
		if s.does == doDecide {
			a.value = uint8(rapid.IntRange(1, len(m.Method.Facts[s.fact].Values)).Draw(t, "value"))
		}
	case 6:
		a = attempt{do: s.does, step: int16(at), act: s.act, tool: s.tool, items: s.items, source: s.sources,
			result: rapid.SampledFrom([]result{doubtful, unexpected}).Draw(t, "result"), value: 1}
	case 7:
		a.do, a.step = rapid.SampledFrom([]doing{doLeaveOut, doReturn}).Draw(t, "skip"), int16(at)
	case 8:
		a.do = rapid.SampledFrom([]doing{doGoAway, doComeBack, doTakeOver, doStop, doReport, doResume, doNote, doOpen}).Draw(t, "plain")
		a.elapsedMS = rapid.SampledFrom([]int64{0, 1000, 20 * 60_000, longTime, -1}).Draw(t, "elapsed")
	case 9:
		a = attempt{do: doCorrect, target: s.does, step: int16(at), act: -1, tool: s.tool, items: s.items,
			result: rapid.SampledFrom([]result{expected, unexpected, withdrawn}).Draw(t, "result"), value: uint8(rapid.IntRange(0, 1).Draw(t, "value"))}
	case 10:
		a = attempt{do: doAct, step: -1, tool: -1, act: int8(rapid.IntRange(0, len(m.acts)-1).Draw(t, "act")), inSpite: rapid.Bool().Draw(t, "spite")}
	case 12:
		if c.slip > 0 {
			at = int(c.slip) - 1
		}
		s = &m.steps[at]
		a = attempt{do: doCorrect, slip: true, target: s.does, step: int16(at), act: -1, tool: s.tool, items: s.items, result: withdrawn,
			took: rapid.SampledFrom([]result{expected, unexpected}).Draw(t, "took"), again: rapid.IntRange(0, 3).Draw(t, "again") == 0}
	case 11:
		a = attempt{do: doProve, step: -1, act: -1, tool: int8(rapid.IntRange(0, 8).Draw(t, "tool")), source: 1, result: expected}
	}
	if a.do == 0 {
		a.do = doNote
	}
	return a
}

// step takes one attempt through lapse, guards and fold, as a Visit does.
func (m *Machine) stepOn(c Control, a attempt) (Control, bool) {
	m.lapse(&c, &a.passed)
	ok := m.accepts(&c, &a)
	if a.inSpite {
		ok = !ok && c.begun && c.ended == NotEnded
	}
	if !ok {
		return c, false
	}
	return m.fold(c, &a), true
}

// Two visits with equal Control accept the same for ever after: Control is a
// value, so that what a state accepts cannot depend on how it was reached. The
// test drives two whole visits, with their accounts, to the same Control by
// different ways, and then gives both the same random events.
func TestEqualControlAcceptsTheSame(t *testing.T) {
	m := sheetedMachine(t)
	rapid.Check(t, func(t *rapid.T) {
		a, b := Control{}, Control{}
		a, _ = m.stepOn(a, attempt{do: doOpen, step: -1, act: -1, tool: -1})
		b = a
		// The second history has detours that leave Control as it was.
		for range rapid.IntRange(0, 60).Draw(t, "length") {
			at := randomAttempt(t, m, &a)
			next, ok := m.stepOn(a, at)
			if !ok {
				continue
			}
			a = next
			b, _ = m.stepOn(b, attempt{do: doNote, step: -1, act: -1, tool: -1, quiet: true})
			b, _ = m.stepOn(b, at)
		}
		if a != b {
			t.Fatalf("advice changed Control")
		}
		for range 20 {
			at := randomAttempt(t, m, &a)
			na, oka := m.stepOn(a, at)
			nb, okb := m.stepOn(b, at)
			if oka != okb || na != nb {
				t.Fatalf("equal states differ on %s", at.do)
			}
			a, b = na, nb
		}
	})
}

// The whole engine, with hashes, words and times of day, decides as its Control
// does: two visits whose accounts differ in everything, but whose Control is
// equal, answer every event of a random history alike.
func TestAccountDecidesNothing(t *testing.T) {
	m := plainMachine(t)
	rapid.Check(t, func(t *rapid.T) {
		a, b := Begin(m), Begin(m)
		one, two := &driver{v: a, boot: "x"}, &driver{v: b, boot: "y"}
		apply := func(body Body) {
			ra, ea := one.do(body)
			rb, eb := two.do(body)
			if (ra == nil) != (rb == nil) || (ea == nil) != (eb == nil) {
				t.Fatalf("%s: one visit says %v, %v and the other %v, %v", KindOf(body), ra, ea, rb, eb)
			}
		}
		apply(Opened{Job: "J", MethodHash: m.Hash})
		two.wall = two.wall.AddDate(0, 0, 3)
		// What only the second visit has takes no time, since proofs age.
		aside := func(words string) {
			e := two.event(Noted{Words: words})
			two.mono -= 30_000
			e.Mono = two.v.now.mono
			if r, err := two.v.Apply(e); r != nil || err != nil {
				t.Fatalf("a note was not taken: %v, %v", r, err)
			}
		}
		aside("only the second visit has this")
		for range rapid.IntRange(1, 120).Draw(t, "length") {
			n := a.Next()
			if n.Step == "" {
				break
			}
			s, _ := m.Method.Step(n.Step)
			switch rapid.IntRange(0, 14).Draw(t, "way") {
			case 0:
				apply(LeftOut{Step: n.Step, How: "not-tested", Why: "x"})
			case 1:
				apply(WentAway{})
				apply(CameBack{})
			case 2:
				aside("a remark of the second visit")
			case 3:
				apply(Acted{Act: "put-cover-on"})
			default:
				for _, b := range expectedBodies(a, s) {
					apply(b)
				}
			}
			// A remark ends that an answer can be a slip, as it should.
			if settled(a.Control()) != settled(b.Control()) {
				t.Fatal("the same events led to different Control")
			}
		}
	})
}

// settled is a state in which no answer can be taken back as a slip any more.
func settled(c Control) Control { c.slip = 0; return c }
