package serve

import (
	"context"
	"math"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// finger is a finger on a phone. It has a clock of its own, which is never behind the machine's: what it
// does is stamped with it, as a touch screen stamps what it feels, so that nothing has to be waited for.
type finger struct{ at float64 }

// later lets time pass for the finger alone.
func (f *finger) later(d time.Duration) { f.at += d.Seconds() }

// now brings the finger's clock up to the machine's and returns it.
func (f *finger) now() float64 {
	f.at = math.Max(f.at, float64(time.Now().UnixMicro())/1e6)
	return f.at
}

func (p *phone) feels(kind input.DispatchTouchEventType, at float64, points ...*input.TouchPoint) {
	p.t.Helper()
	p.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points, Timestamp: input.TimeSinceEpoch(at)})
		return err
	}))
}

// press puts the finger down at a place and lifts it there.
func (p *phone) press(x, y float64) {
	p.t.Helper()
	p.finger.now()
	p.pressFor(x, y, 60*time.Millisecond)
}

func (p *phone) pressFor(x, y float64, long time.Duration) {
	p.t.Helper()
	p.feels(input.DispatchTouchEventTypeTouchStart, p.finger.at, &input.TouchPoint{X: x, Y: y})
	p.finger.later(long)
	p.feels(input.DispatchTouchEventTypeTouchEnd, p.finger.at)
}

// drag puts the finger down at one place and lifts it at another.
func (p *phone) drag(x, y, toX, toY float64) {
	p.t.Helper()
	p.finger.later(time.Second)
	p.feels(input.DispatchTouchEventTypeTouchStart, p.finger.now(), &input.TouchPoint{X: x, Y: y})
	for i := range 4 {
		part := float64(i+1) / 4
		p.finger.later(40 * time.Millisecond)
		p.feels(input.DispatchTouchEventTypeTouchMove, p.finger.at, &input.TouchPoint{X: x + (toX-x)*part, Y: y + (toY-y)*part})
	}
	// It rests before it is lifted, so that nothing is flung.
	for range 2 {
		p.finger.later(300 * time.Millisecond)
		p.feels(input.DispatchTouchEventTypeTouchMove, p.finger.at, &input.TouchPoint{X: toX, Y: toY})
	}
	p.finger.later(40 * time.Millisecond)
	p.feels(input.DispatchTouchEventTypeTouchEnd, p.finger.at)
}
