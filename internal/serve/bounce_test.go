package serve

import (
	"strings"
	"testing"
	"time"

	"meterwright/record"
	"meterwright/visit"
)

// bounce is a finger that comes down a second time after every press: 40 to 400 ms after it was lifted, at the
// same place and elsewhere, before the next page is there and after.
type bounce struct {
	n    int
	at   *spotOn
	sent int
}

// places are where a bouncing finger comes down beside the place it was lifted from, as parts of the window:
// where the answers lie, on the foot, in the drawing. Stop is left out: it is never refused.
var places = [][2]float64{{0.25, 0.75}, {0.75, 0.75}, {0.9, 0.85}, {0.15, 0.97}, {0.5, 0.97}, {0.9, 0.97}, {0.5, 0.3}}

func (b *bounce) pressed(at *spotOn) {
	if b != nil {
		b.at = at
	}
}

func (b *bounce) delta() time.Duration {
	return time.Duration(40+40*(b.n%10)) * time.Millisecond
}

// again comes down again, and says what the page asked of the other side because of it.
func (b *bounce) again(p *phone) {
	p.t.Helper()
	x, y := b.at.X, b.at.Y
	// On a sheet another row is another question, which nothing tells from an answer that is meant.
	if place := b.n / 10 % (len(places) + 1); place > 0 && !eval[bool](p, `!!document.querySelector("main.sheet")`) {
		x, y = 360*places[place-1][0], 600*places[place-1][1]
	}
	p.finger.later(b.delta())
	p.tapAt(x, y)
}

// during bounces before the page that the press leads to is there, after on that page; by turns.
func (b *bounce) during(p *phone) {
	if b != nil && b.at != nil && b.n%2 == 0 {
		b.again(p)
	}
}

func (b *bounce) after(p *phone) {
	p.t.Helper()
	if b == nil {
		return
	}
	if b.at == nil { // Nothing was pressed: a photograph was taken.
		b.sent = eval[int](p, `window.sent ?? 0`)
		return
	}
	where := eval[string](p, `document.querySelector("main").dataset.ask ?? location.pathname`)
	if b.n%2 == 1 {
		b.again(p)
	}
	// What a press leads to is begun before the frame after the next is drawn.
	sent := eval[int](p, `new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(window.sent ?? 0))))`)
	if sent != b.sent+1 {
		p.t.Errorf("bounce %d, %s after the finger was lifted from %v, at %s: %d forms and pages were asked for, not one: %s", b.n, b.delta(), *b.at, where, sent-b.sent, eval[string](p, `window.asks.slice(-3).join(" | ")`))
	}
	b.sent = sent
	if got := eval[string](p, `[...document.querySelectorAll("input[data-digits]")].map((i) => i.value).join("")`); got != "" {
		p.t.Errorf("bounce %d, at %s: it typed %q", b.n, where, got)
	}
	b.n, b.at = b.n+1, nil
}

// tapAt is press without a second between, by the finger's clock as it is.
func (p *phone) tapAt(x, y float64) {
	p.t.Helper()
	p.pressFor(x, y, 20*time.Millisecond)
}

// watched counts what the page asks of the other side.
const watched = `(() => { const f = window.fetch; window.sent = 0; window.asks = []; window.fetch = (...a) => { window.sent++; window.asks.push(a[0] + " " + (a[1]?.body ?? "")); return f(...a); }; return true; })()`

// lines are the lines of a visit that somebody sent.
func (s *Server) said(t *testing.T, id string) []record.Event {
	t.Helper()
	var events []record.Event
	for l, err := range s.store.Lines(t.Context(), id) {
		if err != nil {
			t.Fatal(err)
		}
		e, err := record.Decode(l.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		if !visit.Kind(e.Kind).Quiet() {
			events = append(events, e)
		}
	}
	return events
}

// TestBounceRecordsNothing carries out a whole visit with a finger that bounces after every press. Nothing
// comes of any bounce, in any phase: the record says what it says of a steady hand, line by line.
func TestBounceRecordsNothing(t *testing.T) {
	t.Parallel()
	kinds := map[bool][]string{}
	for _, bounces := range []bool{true, false} {
		s := open(t, t.TempDir())
		p := newPhone(t, s)
		p.blind = true
		w := walk(t, p, demoMethod(t, "NM-3001"))
		p.open("/field/op-114/jobs/NM-3001")
		p.tap("I am there")
		eval[bool](p, watched)
		if bounces {
			p.bounce = &bounce{}
		}
		w.to("end")
		id := eval[string](p, `location.pathname.split("/visits/")[1].split("/")[0]`)
		for _, e := range s.said(t, id) {
			kinds[bounces] = append(kinds[bounces], e.Kind)
		}
		if bounces && p.bounce.n < 100 {
			t.Errorf("only %d bounces", p.bounce.n)
		}
	}
	if a, b := strings.Join(kinds[true], " "), strings.Join(kinds[false], " "); a != b {
		t.Errorf("a bouncing finger recorded\n%s\na steady one\n%s", a, b)
	}
}

// TestFinger: an answer is taken when the finger is lifted from where it came down; digits take every press but
// the same key within a tenth of a second; the rows of a sheet lock one by one; Stop is never deaf.
func TestFinger(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir())
	p := newPhone(t, s)
	p.blind = true
	w := walk(t, p, demoMethod(t, "NM-3001"))
	p.open("/field/op-114/jobs/NM-3001")
	p.tap("I am there")
	eval[bool](p, watched)
	sent := func() int {
		return eval[int](p, `new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(window.sent))))`)
	}
	at := func(selector string) *spotOn {
		return eval[*spotOn](p, `(() => { const r = document.querySelector(`+quote(selector)+`).getBoundingClientRect(); return { X: r.x + r.width / 2, Y: r.y + r.height / 2, W: r.width, H: r.height }; })()`)
	}

	// Two rows, one straight after the other: both are taken, each once.
	p.finger.later(time.Second)
	first, second := at(`[data-row="premises"] button`), at(`[data-row="hazards"] button`)
	p.tapAt(first.X, first.Y)
	p.finger.later(50 * time.Millisecond)
	p.tapAt(first.X, first.Y)
	p.finger.later(50 * time.Millisecond)
	p.tapAt(second.X, second.Y)
	if !eval[bool](p, `new Promise((done) => { const look = () => document.querySelectorAll(".question .given").length === 2 ? done(true) : requestAnimationFrame(look); look(); })`) || sent() != 2 {
		t.Errorf("two rows and a bounce: %d forms were sent", sent())
	}

	w.to("metalwork-detector/metalwork.box")
	before := sent()
	from, to := at(".zone button"), at(".zone button:nth-child(2)")
	p.drag(from.X, from.Y, to.X, to.Y)
	if got := sent(); got != before {
		t.Errorf("a finger that slid from one answer to another gave %d answers", got-before)
	}

	w.to("clamp-prove")
	key := func(words string) *spotOn {
		return eval[*spotOn](p, `(() => { const r = [...document.querySelectorAll(".pad .key")].find((b) => b.textContent === `+quote(words)+`).getBoundingClientRect(); return { X: r.x + r.width / 2, Y: r.y + r.height / 2, W: r.width, H: r.height }; })()`)
	}
	p.finger.later(time.Second)
	for _, press := range []struct {
		key   string
		after time.Duration
	}{{"2", 0}, {"2", 70 * time.Millisecond}, {"3", 30 * time.Millisecond}, {"8", 30 * time.Millisecond}, {".", 0}, {"1", 0}, {"1", 120 * time.Millisecond}} {
		p.finger.later(press.after)
		k := key(press.key)
		p.tapAt(k.X, k.Y)
	}
	if got := eval[string](p, `document.querySelector(".enter").textContent`); got != "enter 238.11 A" {
		t.Errorf("the key that enters says %q", got)
	}

	// Stop is taken at once after a change of step.
	p.settle(func() {
		e := at(".enter")
		p.finger.later(time.Second)
		p.tapAt(e.X, e.Y)
	})
	p.settle(func() {
		stop := at(".stopnow button")
		p.finger.later(40 * time.Millisecond)
		p.tapAt(stop.X, stop.Y)
	})
	p.says("Stop.")
}
