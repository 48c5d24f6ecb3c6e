package visit

import (
	"maps"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"meterwright/method"
	"meterwright/site"
)

// sheetedMachine is the shipped three-phase method, which has none of its own, with its rows gathered: each stretch of steps of one
// phase that may stand in a sheet is one.
func sheetedMachine(t testing.TB) *Machine {
	t.Helper()
	r := *shippedMachine(t, "gb-three-phase-exchange", nil, method.Job{Site: site.Spec{Arrangement: site.TNCS, Phases: 3}}).Method
	r.Steps = slices.Clone(r.Steps)
	name, rows, facts := byte('a'), 0, map[string]bool{}
	for i := range r.Steps {
		s := &r.Steps[i]
		s.Sheet = ""
		asks := slices.Contains([]string{"take_up", "check", "inspect", "decide", "record"}, s.Does()) && len(s.Supports) == 0
		hangs := slices.ContainsFunc(r.Facts, func(f method.Fact) bool { return facts[f.ID] && s.When[f.ID] != nil })
		if i > 0 && (!asks || hangs || rows == method.MaxRows || r.Steps[i-1].Phase != s.Phase) && rows > 0 {
			name, rows, facts = name+1, 0, map[string]bool{}
		}
		if !asks {
			continue
		}
		rows++
		s.Sheet = "sheet-" + string(name)
		if s.Decide != nil {
			facts[s.Decide.Fact] = true
		}
	}
	m, err := New(&r)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// rowsOf lists the sheets of more than one row, each as the ids of its rows.
func rowsOf(t testing.TB, m *Machine) [][]string {
	t.Helper()
	sheets, err := m.Method.Sheets()
	if err != nil {
		t.Fatal(err)
	}
	var list [][]string
	for _, s := range sheets {
		var rows []string
		for i := s.First; i <= s.Last; i++ {
			rows = append(rows, m.Method.Steps[i].ID)
		}
		if len(rows) > 1 {
			list = append(list, rows)
		}
	}
	if len(list) < 3 {
		t.Fatalf("%d sheets are too few to say anything", len(list))
	}
	return list
}

// drawAnswer is some answer to a row that does not stop the visit: as expected, a remark, another fact, or
// left out in some way.
func drawAnswer(t *rapid.T, m *Machine, v *Visit, id string) Body {
	s, _ := m.Method.Step(id)
	switch way := rapid.IntRange(0, 5).Draw(t, "answer to "+id); {
	case way == 0:
		return LeftOut{Step: id, How: rapid.SampledFrom(method.Omissions()).Draw(t, "how"), Why: "x"}
	case way == 1 && s.Inspect != nil && (s.Unexpected == nil || s.Unexpected.Stop == ""):
		return Inspected{Step: id, Answer: rapid.SampledFrom(s.Inspect.Answers).Draw(t, "said")}
	case s.Decide != nil:
		return Decided{Step: id, Value: rapid.SampledFrom(m.Method.Fact(s.Decide.Fact).Values).Draw(t, "value")}
	}
	return expectedBody(v, s)
}

// still has a driver give events between which no time passes, so that what time takes off does not hang
// on the order.
func (d *driver) still(b Body) (*Refusal, error) {
	d.mono -= 30_000
	return d.do(b)
}

// The reduction that a search of the laws rests on: in whatever order the rows of a sheet are answered, the
// visit comes to the same Control, and each row on the way is accepted.
func TestRowsComeToTheSameInAnyOrder(t *testing.T) {
	m := sheetedMachine(t)
	rowsOf(t, m)
	orders := 0
	rapid.Check(t, func(t *rapid.T) {
		one, two := &driver{v: Begin(m), boot: "x"}, &driver{v: Begin(m), boot: "x"}
		both := func(b Body) bool {
			r, err := one.still(b)
			again, errToo := two.still(b)
			if (r == nil) != (again == nil) || err != nil || errToo != nil {
				t.Fatalf("%s: %v, %v and %v, %v", KindOf(b), r, err, again, errToo)
			}
			return r == nil
		}
		both(Opened{Job: "J", MethodHash: m.Hash})
		for range rapid.IntRange(1, 60).Draw(t, "length") {
			n := one.v.Next()
			if n.Step == "" {
				break
			}
			if len(n.Sheet) < 2 {
				s, _ := m.Method.Step(n.Step)
				if !both(expectedBody(one.v, s)) {
					both(LeftOut{Step: n.Step, How: "could-not", Why: "x"})
				}
				continue
			}
			answers := map[string]Body{}
			for _, id := range n.Sheet {
				answers[id] = drawAnswer(t, m, one.v, id)
			}
			mixed := rapid.Permutation(n.Sheet).Draw(t, "order")
			if !slices.Equal(mixed, n.Sheet) {
				orders++
			}
			for d, order := range map[*driver][]string{one: n.Sheet, two: mixed} {
				for k, id := range order {
					if open := d.v.Next().Sheet; len(open) != len(order)-k || !slices.Contains(open, id) {
						t.Fatalf("%s is not among the open rows %v", id, open)
					}
					if r, err := d.still(answers[id]); r != nil || err != nil {
						t.Fatalf("the row %s was not taken: %v, %v", id, r, err)
					}
				}
			}
			// Which answer was the last hangs on the order, and nothing else does.
			if settled(one.v.Control()) != settled(two.v.Control()) {
				t.Fatalf("in the order %v the sheet comes to\n%+v\nand in the method's to\n%+v", mixed, two.v.Control(), one.v.Control())
			}
		}
	})
	if orders == 0 {
		t.Error("no other order was tried")
	}
}

// Nothing that was passed over is lost from sight. What has been settled is kept here by the events alone: an
// answer settles its step; leaving out in a way that the method does not allow, withdrawing, and going back open
// it; going back opens whatever comes after the sheet gone back to as well.
func TestNothingPassedOverIsLost(t *testing.T) {
	m := sheetedMachine(t)
	sheets, returns := rowsOf(t, m), 0
	rapid.Check(t, func(t *rapid.T) {
		d := &driver{v: Begin(m), boot: "x"}
		settled, hashes := map[string]bool{}, map[string]string{}
		give := func(b Body) bool { r, err := d.do(b); return r == nil && err == nil }
		give(Opened{Job: "J", MethodHash: m.Hash})
		for range rapid.IntRange(1, 150).Draw(t, "length") {
			n := d.v.Next()
			open := n.Sheet
			if len(open) == 0 && n.Step != "" {
				open = []string{n.Step}
			}
			way := rapid.IntRange(0, 9).Draw(t, "way")
			if len(open) == 0 || len(hashes) == 0 && way < 5 {
				way = 9
			}
			switch way {
			case 0, 1:
				id := rapid.SampledFrom(open).Draw(t, "row")
				if how := rapid.SampledFrom(method.Omissions()).Draw(t, "how"); give(LeftOut{Step: id, How: how, Why: "x"}) {
					s, _ := m.Method.Step(id)
					settled[id] = s.MayLeave(how)
				}
			case 2:
				rows := rapid.SampledFrom(sheets).Draw(t, "sheet")
				back := rapid.SampledFrom(rows).Draw(t, "back to")
				if !give(Returned{Step: back, Why: "x"}) {
					break
				}
				returns++
				settled[back] = false
				_, at := m.Method.Step(rows[len(rows)-1])
				for _, s := range m.Method.Steps[at+1:] {
					settled[s.ID] = false
				}
			case 3, 4:
				id := rapid.SampledFrom(slices.Sorted(maps.Keys(hashes))).Draw(t, "corrected")
				s, _ := m.Method.Step(id)
				now := ""
				if s.Decide != nil && way == 4 {
					now = rapid.SampledFrom(m.Method.Fact(s.Decide.Fact).Values).Draw(t, "now")
				}
				if give(Corrected{Event: hashes[id], Now: now, Why: "x"}) && now == "" {
					settled[id] = false
				}
			default:
				if len(open) == 0 {
					break
				}
				id := rapid.SampledFrom(open).Draw(t, "row")
				s, _ := m.Method.Step(id)
				if give(expectedBody(d.v, s)) {
					settled[id] = true
					if s.Inspect != nil || s.Decide != nil {
						hashes[id] = d.log[len(d.log)-1].Hash
					}
				}
			}
			c := d.v.Control()
			for i, s := range m.Method.Steps {
				if m.applies(&c, i) && !settled[s.ID] && !d.v.Ahead(i) && c.owed == 0 {
					t.Fatalf("%s was passed over, the work stands at %s, and nothing is owed", s.ID, d.v.Position())
				}
			}
		}
	})
	if returns == 0 {
		t.Error("nobody went back to a sheet")
	}
}

// A sheet of the method as it is used: in turn, answered twice, gone back to, stopped in, and held by two.
func TestSheetOpensAndCloses(t *testing.T) {
	m := sheetedMachine(t)
	long := slices.MaxFunc(rowsOf(t, m), func(a, b []string) int { return len(a) - len(b) })
	long = slices.DeleteFunc(long, func(id string) bool {
		_, i := m.Method.Step(id)
		return len(m.steps[i].when) > 0
	})
	step := func(id string) *method.Step { s, _ := m.Method.Step(id); return s }
	begin := func(t *testing.T) *driver {
		d := drive(t, m)
		// Whatever rests on a fact does not belong to this visit.
		d.to(long[0])
		if got := d.v.Next().Sheet; !slices.Equal(got, long) {
			t.Fatalf("open are %v, and the sheet is %v", got, long)
		}
		return d
	}
	without := func(ids ...string) []string {
		return slices.DeleteFunc(slices.Clone(long), func(id string) bool { return slices.Contains(ids, id) })
	}
	open := func(t *testing.T, d *driver, want []string) {
		t.Helper()
		if got := d.v.Next().Sheet; !slices.Equal(got, want) {
			t.Fatalf("open are %v, and should be %v", got, want)
		}
	}
	last := long[len(long)-1]
	t.Run("a row after the first", func(t *testing.T) {
		d := begin(t)
		d.must(expectedBody(d.v, step(last)))
		open(t, d, without(last))
		d.refused(Returned{Step: long[1], Why: "x"}, RowBackwardsOnly)
		if b, ok := expectedBody(d.v, step(last)).(Checked); !ok || b.Item == "" {
			t.Fatalf("%s is no check", last)
		}
		d.must(expectedBody(d.v, step(last))) // As one is out of turn: it leads nowhere.
		open(t, d, without(last))
		d.must(expectedBody(d.v, step("leads")))
		d.refused(expectedBody(d.v, step("leads")), RowInTurn)
	})
	t.Run("back to an answered row", func(t *testing.T) {
		d := begin(t)
		for _, id := range long[1:] {
			d.must(expectedBody(d.v, step(id)))
		}
		d.refused(Returned{Step: m.Method.Steps[m.steps[d.v.Control().pos].last+1].ID, Why: "x"}, RowBackwardsOnly)
		d.must(Returned{Step: long[2], Why: "x"})
		open(t, d, []string{long[0], long[2]})
	})
	t.Run("back from after the sheet opens the row alone", func(t *testing.T) {
		d := begin(t)
		for range long {
			d.on()
		}
		after := d.v.Position()
		d.must(Returned{Step: long[1], Why: "x"})
		open(t, d, long[1:2])
		d.on()
		if d.v.Position() != after {
			t.Fatalf("after the row the work stands at %s, and before at %s", d.v.Position(), after)
		}
	})
	t.Run("what was left out is open again with the rows after it", func(t *testing.T) {
		d := begin(t)
		d.on()
		d.must(LeftOut{Step: long[1], How: "could-not", Why: "x"})
		d.must(LeftOut{Step: long[2], How: "could-not", Why: "x"})
		owes := func(id string) bool { return !slices.Contains(step(id).May, "could-not") }
		if !owes(long[1]) || !owes(long[2]) {
			t.Fatal("the rows may be left out")
		}
		for range long[3:] {
			d.on()
		}
		d.must(Returned{Step: long[1], Why: "x"})
		open(t, d, long[1:])
		d.on()
		d.must(Returned{Step: long[0], Why: "x"})
		open(t, d, without(long[1]))
	})
	t.Run("two devices have answered different rows", func(t *testing.T) {
		a, b := begin(t), begin(t)
		for _, id := range []string{long[1], long[2], last} {
			a.must(expectedBody(a.v, step(id)))
		}
		for _, id := range []string{long[0], long[2]} {
			b.must(expectedBody(b.v, step(id)))
		}
		joined := m.join(a.v.now, b.v.now)
		v := Begin(m)
		v.now = &joined
		if got, want := v.Next().Sheet, without(long[2]); !slices.Equal(got, want) {
			t.Fatalf("open are %v, and should be %v", got, want)
		}
	})
}

// A row that no step asked for, because of a fact that turns out otherwise, is owed although its sheet was gone
// through and gone back to.
func TestRowOfAnotherFactIsOwed(t *testing.T) {
	m := sheetedMachine(t)
	d, decided := drive(t, m), ""
	_, rcd := m.Method.Step("take-rcd")
	first, last := m.steps[rcd].first, m.steps[rcd].last
	for d.v.Position() != m.Method.Steps[last+1].ID {
		d.on()
		if e := d.log[len(d.log)-1]; e.Body.kind() == KindDecided && e.Body.(Decided).Step == "arrangement" {
			decided = e.Hash
		}
	}
	if c := d.v.Control(); m.applies(&c, rcd) {
		t.Fatal("the row applies before")
	}
	d.must(Returned{Step: m.Method.Steps[first].ID, Why: "x"})
	d.must(Corrected{Event: decided, Now: string(site.TT), Why: "x"})
	if c := d.v.Control(); c.owed != int16(rcd)+1 {
		t.Errorf("owed is %d, and take-rcd is %d", c.owed, rcd+1)
	}
}

// A stop that a row raises leaves the other rows as they are, and work goes on from the row that it names.
func TestStopInASheet(t *testing.T) {
	m := sheetedMachine(t)
	for _, rows := range rowsOf(t, m) {
		k := slices.IndexFunc(rows, func(id string) bool {
			s, _ := m.Method.Step(id)
			return id != rows[0] && s.Inspect != nil && s.Unexpected != nil && s.Unexpected.Stop != ""
		})
		if k < 0 {
			continue
		}
		s, _ := m.Method.Step(rows[k])
		for resumed := range rows {
			// The row from which its stop goes on is this one, be it before or after it.
			r := *m.Method
			r.Stops = slices.Clone(r.Stops)
			r.Stops[slices.IndexFunc(r.Stops, func(x method.Stop) bool { return x.ID == s.Unexpected.Stop })].Resume = rows[resumed]
			changed, err := New(&r)
			if err != nil {
				t.Fatal(err)
			}
			d := drive(t, changed)
			d.to(rows[0])
			all := d.v.Next().Sheet
			for _, other := range all[1:] {
				if other != rows[k] {
					x, _ := m.Method.Step(other)
					d.must(expectedBody(d.v, x))
				}
			}
			other := slices.IndexFunc(s.Inspect.Answers, func(a string) bool { return a != s.Inspect.Expect })
			d.must(Inspected{Step: rows[k], Answer: s.Inspect.Answers[other]})
			if d.v.Stop() != s.Unexpected.Stop {
				t.Fatalf("%s raised %q", rows[k], d.v.Stop())
			}
			d.must(Reported{To: site.Employer})
			d.must(Resumed{Why: "x"})
			var want []string
			for j, id := range rows {
				if j == 0 || j == k || j == resumed && slices.Contains(all, id) {
					want = append(want, id)
				}
			}
			if got := d.v.Next().Sheet; !slices.Equal(got, want) {
				t.Errorf("after the stop of %s, from %s on, open are %v, and should be %v", rows[k], rows[resumed], got, want)
			}
		}
	}
}
