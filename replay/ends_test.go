package replay_test

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"testing"
	"time"

	"meterwright/replay"
	"meterwright/site"
	"meterwright/visit"
)

func codes(c *replay.Case) (list []replay.NeedCode) {
	for _, n := range c.Needs() {
		list = append(list, n.Code)
	}
	return list
}

// A visit that one device ends while the other still works has not ended, and what stops the other is in
// force; the device that was left behind by a taking over ends nothing either.
func TestOneEndsAndTheOtherWorks(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   visit.Body
		want replay.State
	}{
		{"the other works", visit.Inspected{Step: "hazards", Answer: "nothing"}, replay.HeldByTwo},
		{"the other stops", visit.Stopped{Why: "smoke"}, replay.Stopped},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a, b := newDevice(1), newDevice(2)
			lines := append(a.open(), a.line(visit.Inspected{Step: "premises", Answer: "they agree"}))
			lines = append(lines, b.over(a, ""), b.line(visit.Ended{Outcome: "abandoned", Left: "as found"}))
			if got := read(t, lines).State(); got != replay.Short {
				t.Fatalf("ended by the one that holds it: %s", got)
			}
			lines = append(lines, a.line(tt.do))
			c := read(t, lines)
			if c.State() != tt.want || c.Visit.Outcome() != visit.NotEnded || !slices.Contains(codes(c), replay.NeedOneHolder) {
				t.Errorf("%s, %v, needs %v", c.State(), c.Visit.Outcome(), codes(c))
			}
			// The one that ended it does not go on.
			r, err := c.Visit.Check(visit.Event{Body: visit.Noted{Words: "x"}, Chain: b.key.String(), Wall: b.wall, Mono: b.mono, Boot: "boot-2"})
			if err != nil || r == nil || !slices.Contains(r.Rows, visit.RowNotAfterTheEnd) {
				t.Errorf("a note after one's own end: %v, %v", r, err)
			}
		})
	}
}

// A stop that one device left is in force where the other, which did not see that, has it still.
func TestAStopIsLeftWhereNobodyHasIt(t *testing.T) {
	a, b := newDevice(1), newDevice(2)
	lines := append(a.open(), a.line(visit.Inspected{Step: "premises", Answer: "they agree"}), a.line(visit.Stopped{Why: "smoke"}))
	lines = append(lines, b.over(a, ""), b.line(visit.Reported{To: site.Employer}), b.line(visit.Resumed{Why: "a kettle"}))
	if s := read(t, lines).Visit.Account().Stops; len(s) != 1 || s[0].LeftAt.IsZero() {
		t.Fatalf("left: %+v", s)
	}
	lines = append(lines, a.line(visit.WentAway{}))
	c := read(t, lines)
	if s := c.Visit.Account().Stops; !s[0].LeftAt.IsZero() || c.State() != replay.Stopped || !slices.Contains(codes(c), replay.NeedStopped) {
		t.Errorf("%+v, %s, %v", s, c.State(), codes(c))
	}
}

// What hands did after an end was done: the switch moves, and it needs somebody.
func TestAnActAfterTheEndWasDone(t *testing.T) {
	a := newDevice(1)
	lines := append(a.open(), a.line(visit.Ended{Outcome: "abandoned", Left: "as found"}))
	lines = append(lines, a.line(visit.Acted{Act: "withdraw-carrier"}))
	c := read(t, lines)
	n := c.Needs()
	i := slices.IndexFunc(n, func(n replay.Need) bool { return n.Code == replay.NeedNotAccepted })
	if i < 0 || !n[i].Danger || !slices.Contains(codes(c), replay.NeedSupplyOff) || !slices.Contains(codes(c), replay.NeedInSpite) {
		t.Errorf("needs %+v, switches %v", n, c.Visit.Switches())
	}
	if c.State() != replay.Short {
		t.Errorf("state %s", c.State())
	}
}

// Two outages, of which the second came to an end: the supply is off since the first.
func TestTheFirstOutageStays(t *testing.T) {
	a, b := newDevice(1), newDevice(2)
	lines := append(a.open(), a.line(visit.Inspected{Step: "premises", Answer: "they agree"}))
	b.wall = a.wall.Add(time.Hour)
	lines = append(lines, b.over(a, ""))
	off := a.line(visit.Acted{Act: "withdraw-carrier", InSpite: true, Why: "smoke"})
	lines = append(lines, off, b.line(visit.Acted{Act: "withdraw-carrier", InSpite: true, Why: "smoke"}), b.line(visit.Acted{Act: "refit-carrier", InSpite: true, Why: "it was not it"}))
	o, is := read(t, lines).Visit.Account().Off()
	if !is || o.OffEvent != off.Hash.String() {
		t.Errorf("%+v, %v", o, is)
	}
}

// Of two holders each makes safe with what it wears itself, and the engine that asks says what will be read.
func TestTwoHoldersMakeSafe(t *testing.T) {
	a, b := newDevice(1), newDevice(2)
	lines := append(a.open(), a.line(visit.Checked{Item: "gloves", Found: "sound", Due: "2027-01-01"}), a.line(visit.PutOn{Items: []string{"gloves"}}))
	lines = append(lines, b.over(a, ""), a.line(visit.Stopped{Why: "smoke"}))
	for _, body := range []visit.Body{visit.Acted{Act: "put-cover-on"}} {
		c := read(t, lines)
		if len(c.Visit.Worn()) > 0 {
			t.Fatal("what one of them wears is taken for granted")
		}
		l := a.line(body)
		r, err := c.Visit.Check(visit.Event{Body: body, Chain: a.key.String(), Prev: l.Prev.String(), Wall: l.Wall, Mono: l.Mono, Boot: l.Boot})
		if r != nil || err != nil {
			t.Fatalf("%T: %v, %v", body, r, err)
		}
		lines = append(lines, l)
		if got := read(t, lines).Visit.Account().Discrepancies; len(got) > 0 {
			t.Fatalf("%T is accepted and then not: %+v", body, got)
		}
	}
}

// Supplement lines from a device that never saw the visit stand beside what has ended.
func TestASupplementFromElsewhere(t *testing.T) {
	a, b := newDevice(1), newDevice(2)
	lines := append(a.open(), a.line(visit.Ended{Outcome: "abandoned", Left: "as found"}))
	b.wall = a.wall.Add(time.Hour)
	lines = append(lines, b.line(visit.Supplement{Words: "the number came", Chain: a.key.String(), Head: a.head.String()}))
	c := read(t, lines)
	if len(c.Unread)+len(c.Waiting)+len(c.Visit.Account().Discrepancies) > 0 || c.State() != replay.Short {
		t.Errorf("%v %v %+v %s", c.Unread, c.Waiting, c.Visit.Account().Discrepancies, c.State())
	}
}

// A take-over that this edition does not read is made after the line that it names all the same, so that a stop
// after it stands.
func TestAStopAfterATakeOverThatIsNotRead(t *testing.T) {
	a, b := newDevice(1), newDevice(2)
	lines := append(a.open(), a.line(visit.Inspected{Step: "premises", Answer: "they agree"}))
	over := b.over(a, "")
	over.Body = append(over.Body[:len(over.Body)-1:len(over.Body)-1], `,"later":1}`...)
	over.Hash = sha256.Sum256(fmt.Append(nil, over.Key, over.Seq, over.Wall, over.Kind, string(over.Body), over.Prev))
	b.head = over.Hash
	c := read(t, append(lines, over, b.line(visit.Stopped{Why: "smoke"})))
	if len(c.Unread) != 1 || len(c.Visit.Account().Discrepancies) > 0 || c.State() != replay.Stopped {
		t.Errorf("unread %v, discrepancies %+v, %s", c.Unread, c.Visit.Account().Discrepancies, c.State())
	}
}

// A line that waits for one that is not there may be a stop: until it is read, somebody may be hurt by what it says.
func TestWhatWaitsMayWarn(t *testing.T) {
	for _, tt := range []struct {
		body   visit.Body
		danger bool
	}{{visit.Stopped{Why: "smoke"}, true}, {visit.Noted{Words: "a dog"}, false}} {
		a := newDevice(1)
		lines := a.open()
		a.line(visit.Inspected{Step: "premises", Answer: "they agree"}) // It does not arrive.
		n := read(t, append(lines, a.line(tt.body))).Needs()
		i := slices.IndexFunc(n, func(n replay.Need) bool { return n.Code == replay.NeedWaiting })
		if i < 0 || n[i].Danger != tt.danger {
			t.Errorf("%T: %+v", tt.body, n)
		}
	}
}
