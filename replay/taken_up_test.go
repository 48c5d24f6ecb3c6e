package replay_test

import (
	"fmt"
	"slices"
	"testing"

	"meterwright/visit"
)

// TestWhatTheOtherDidIsTakenUp: where one of two hands over, the other does not work on before it has
// taken up what the first did; a device without a chain begins with taking over.
func TestWhatTheOtherDidIsTakenUp(t *testing.T) {
	a, b, outside := newDevice(1), newDevice(2), newDevice(3)
	lines := append(a.open(), b.over(a, ""), a.line(visit.Inspected{Step: "premises", Answer: "they agree"}), a.line(visit.HandedOver{}))
	c := read(t, lines)
	if h, contested := c.Visit.Holder(); h != b.key.String() || contested {
		t.Fatalf("held by %.8s, contested %v", h, contested)
	}
	check := func(d *device, body visit.Body) []visit.Row {
		r, err := c.Visit.Check(visit.Event{Body: body, Chain: d.key.String(), Wall: d.wall, Mono: d.mono, Boot: fmt.Sprint("boot-", d.n)})
		if err != nil {
			t.Fatal(err)
		}
		if r == nil {
			return nil
		}
		return r.Rows
	}
	step := visit.Inspected{Step: "premises", Answer: "they agree"}
	if rows := check(b, step); !slices.Equal(rows, []visit.Row{visit.RowOneHolder}) {
		t.Errorf("worked on without having seen the other's work: %v", rows)
	}
	for _, body := range []visit.Body{step, visit.Noted{Words: "x"}, visit.Stopped{}} {
		if rows := check(outside, body); !slices.Contains(rows, visit.RowInHand) {
			t.Errorf("%s by a device without a chain: %v", visit.KindOf(body), rows)
		}
	}
	if list := c.Visit.Holdings(); len(list) != 2 || list[0].Released == list[1].Released {
		t.Errorf("holdings: %+v", list)
	}
	lines = append(lines, b.over(a, ""))
	c = read(t, lines)
	if list := c.Visit.Holdings(); len(list) != 1 || list[0].Chain != b.key.String() || list[0].Since != b.head.String() {
		t.Errorf("holdings: %+v", list)
	}
	if rows := check(b, step); rows != nil {
		t.Errorf("after the take-over: %v", rows)
	}
	lines = append(lines, b.line(step))
	if list := read(t, lines).Visit.Account().Discrepancies; len(list) > 0 {
		t.Errorf("%+v", list)
	}
}
