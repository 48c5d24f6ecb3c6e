package serve

import (
	"context"
	"encoding/json/v2"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"meterwright/internal/asset"
)

// screens is where pictures of every screen are put, to be looked at.
const screens = "../../build/screens"

// phone is a browser of the size of a small telephone.
type phone struct {
	t    *testing.T
	ctx  context.Context
	site string
	axe  string
	seen map[string]bool
	// lost makes connections break.
	lost   *atomic.Int32
	finger *finger
	// in is where something to press is looked for, a selector; empty is the whole page.
	in string
	// count is what the visit asks of a person; nil where nobody counts.
	count *counts
	// bounce comes after each press; nil where the finger does not bounce. blind takes no pictures.
	bounce *bounce
	blind  bool
}

// Where an exchange is lost.
const (
	lostOnTheWay     = 1
	lostOnTheWayBack = 2
)

// missing ends a test for which something is not there: loudly, unless MW_ALLOW_MISSING=1 allows
// it to be left out.
func missingTool(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("MW_ALLOW_MISSING") == "1" {
		t.Skipf("left out: %s", what)
	}
	t.Fatalf("%s (MW_ALLOW_MISSING=1 leaves these tests out)", what)
}

func newPhone(t *testing.T, s *Server) *phone {
	t.Helper()
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		missingTool(t, "chromium is not installed, and these tests drive the pages in it")
	}
	if !asset.Built() {
		missingTool(t, "fonts and page script are not there: run web/build.sh first")
	}
	axe, err := os.ReadFile("../../web/node_modules/axe-core/axe.min.js")
	if err != nil {
		missingTool(t, "axe-core is not there: run npm ci in web first")
	}
	lost := &atomic.Int32{}
	site := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch lost.Load() {
		case lostOnTheWay:
			panic(http.ErrAbortHandler)
		case lostOnTheWayBack:
			s.handler.ServeHTTP(httptest.NewRecorder(), r)
			panic(http.ErrAbortHandler)
		}
		s.handler.ServeHTTP(w, r)
	}))
	t.Cleanup(site.Close)
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	p := &phone{t: t, ctx: ctx, site: site.URL, axe: string(axe), seen: map[string]bool{}, lost: lost, finger: &finger{}}
	p.do(chromedp.EmulateViewport(360, 600, chromedp.EmulateMobile, chromedp.EmulateTouch))
	return p
}

func (p *phone) do(actions ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, actions...); err != nil {
		p.t.Fatal(err)
	}
}

// eval runs a script in the page.
func eval[T any](p *phone, script string) T {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatalf("%s: %v", clipped(script), err)
	}
	return v
}

func clipped(s string) string {
	if len(s) > 80 {
		return s[:80] + "…"
	}
	return s
}

func quote(s string) string {
	b, _ := json.Marshal(s)
	return string(b)
}

func (p *phone) open(path string) {
	p.t.Helper()
	p.do(chromedp.Navigate(p.site + path))
}

// settle waits for the page that an action leads to.
func (p *phone) settle(act func()) {
	p.t.Helper()
	eval[bool](p, `(document.querySelector("main").dataset.old = "1") === "1"`)
	act()
	p.bounce.during(p)
	deadline := time.Now().Add(10 * time.Second)
	for time.Now().Before(deadline) {
		v, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`document.readyState === "complete" && !!document.querySelector("main") && !document.querySelector("main").dataset.old`))
		if err == nil && v {
			p.bounce.after(p)
			p.shown()
			return
		}
	}
	p.t.Fatalf("nothing came of it; the page is %s: %s", eval[string](p, `location.pathname`), eval[string](p, `document.body.innerText`))
}

// tap taps what can be pressed and bears these words; it must lie on the screen and be large
// enough for a thumb.
func (p *phone) tap(words string) {
	p.t.Helper()
	p.settle(func() { p.t.Helper(); p.touch(words) })
}

type spotOn struct{ X, Y, W, H float64 }

func (p *phone) touch(words string) {
	p.t.Helper()
	at := eval[*spotOn](p, `(() => {
		const want = `+quote(words)+`;
		const text = (e) => (e.innerText || "").replace(/\s+/g, " ").trim();
		const all = [...(document.querySelector(`+quote(p.in)+` || "body")).querySelectorAll("button, a[href], label.option, summary")].filter((e) => e.getClientRects().length);
		const e = all.find((e) => text(e) === want) || all.find((e) => text(e).startsWith(want));
		if (!e) return null;
		if (!e.closest("body.held .zone, body.held .foot, .top")) e.scrollIntoView({ block: "center" });
		const r = e.getBoundingClientRect();
		const x = r.x + r.width / 2, y = r.y + r.height / 2;
		const hit = document.elementFromPoint(x, y);
		if (!hit || !(e.contains(hit) || hit.contains(e))) return { X: -1, Y: -1, W: 0, H: 0 };
		return { X: x, Y: y, W: r.width, H: r.height };
	})()`)
	if at == nil {
		p.t.Fatalf("there is nothing to press with the words %q on %s:\n%s", words, eval[string](p, `location.pathname`), eval[string](p, `document.body.innerText`))
	}
	if at.X < 0 {
		p.t.Fatalf("%q is covered by something else", words)
	}
	if at.W < 48 || at.H < 48 {
		p.t.Errorf("%q is %.0f by %.0f pixels, too small for a thumb", words, at.W, at.H)
	}
	p.count.tap(words)
	p.finger.later(time.Second)
	p.bounce.pressed(at)
	p.press(at.X, at.Y)
}

// touchAt touches a field.
func (p *phone) touchAt(id string) {
	p.t.Helper()
	at := eval[*spotOn](p, `(() => { const e = document.getElementById(`+quote(id)+`); e.scrollIntoView({ block: "center" }); const r = e.getBoundingClientRect(); return { X: r.x + r.width / 2, Y: r.y + r.height / 2, W: r.width, H: r.height }; })()`)
	p.count.tap(id)
	p.finger.later(time.Second)
	p.press(at.X, at.Y)
}

// write writes into a field as the device's keyboard does.
func (p *phone) write(id, text string) {
	p.t.Helper()
	p.count.write(text)
	p.do(chromedp.SendKeys(chromedp.ID(id), text))
}

// keys types a number on the page's own keys.
func (p *phone) keys(number string) {
	p.t.Helper()
	for _, k := range number {
		p.touch(string(k))
	}
	if key := eval[string](p, `document.querySelector(".enter").textContent`); !strings.HasPrefix(key, "enter "+number) {
		p.t.Fatalf("the key that enters says %q, not %q", key, number)
	}
}

func (p *phone) text() string { return eval[string](p, `document.body.innerText`) }

// says fails unless the page has the words.
func (p *phone) says(words ...string) {
	p.t.Helper()
	text := p.text()
	for _, w := range words {
		if !strings.Contains(strings.ToLower(text), strings.ToLower(w)) {
			p.t.Fatalf("the page does not say %q:\n%s", w, text)
		}
	}
}

// look takes pictures of a screen, once for each name, light and dark, with text twice as large
// and for the left hand, and has the accessibility checker go over it.
func (p *phone) look(name string) {
	p.t.Helper()
	if p.seen[name] || p.blind {
		return
	}
	p.seen[name] = true
	if err := os.MkdirAll(screens, 0o755); err != nil {
		p.t.Fatal(err)
	}
	if !eval[bool](p, `!!window.axe`) {
		p.do(chromedp.Evaluate[chromedp.Void](p.axe))
	}
	scheme, hand := eval[string](p, `document.documentElement.dataset.scheme || ""`), eval[string](p, `document.documentElement.dataset.hand || ""`)
	for _, v := range []struct{ name, scheme, hand, size string }{
		{"light", "light", "", "100%"}, {"dark", "dark", "", "100%"}, {"large", "light", "", "200%"}, {"left", "light", "left", "100%"},
	} {
		eval[bool](p, fmt.Sprintf(`(() => { const d = document.documentElement; d.dataset.scheme = %q; d.dataset.hand = %q; d.style.fontSize = %q; delete document.body.dataset.quiet; document.activeElement.blur(); window.scrollTo(0, 0); return true; })()`, v.scheme, v.hand, v.size))
		eval[bool](p, `document.fonts.ready.then(() => true)`)
		shot, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
		if err != nil {
			p.t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(screens, name+"."+v.name+".png"), shot, 0o644); err != nil {
			p.t.Fatal(err)
		}
		if wide := eval[int](p, `document.documentElement.scrollWidth`); wide > 360 {
			p.t.Errorf("%s, %s: the page is %d pixels wide and runs off the screen: %s", name, v.name, wide, eval[string](p,
				`[...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > 361).slice(0, 4).map((e) => e.outerHTML.slice(0, 90)).join(" | ")`))
		}
		if cut := eval[string](p, `[...document.querySelectorAll(".zone .button")].filter((e) => e.scrollHeight > e.clientHeight + 1).map((e) => e.innerText).join(" | ")`); cut != "" {
			p.t.Errorf("%s, %s: words do not fit into what is pressed: %s", name, v.name, cut)
		}
		if v.name == "left" || v.name == "large" {
			continue
		}
		// What is otherwise in the dark than in the light is contrast alone.
		only := ""
		if v.name == "dark" {
			only = `, runOnly: { type: "rule", values: ["color-contrast"] }`
		}
		for _, found := range eval[[]string](p, `axe.run(document, { resultTypes: ["violations"]`+only+` }).then((r) => r.violations.flatMap((v) => v.nodes.map((n) => v.id + ": " + n.target.join(" ") + ": " + (n.failureSummary || v.help).slice(0, 240))))`) {
			p.t.Errorf("%s, %s: %s", name, v.name, found)
		}
	}
	for _, small := range eval[[]string](p, `(() => { document.documentElement.style.fontSize = ""; document.documentElement.dataset.scheme = "light"; return [...document.querySelectorAll("main button, main a[href], header a[href], label.option, summary, input:not([type=hidden]):not([type=radio]):not([type=checkbox])")].filter((e) => e.getClientRects().length && !e.closest("p.inline")).map((e) => [e, e.getBoundingClientRect()]).filter(([, r]) => r.height < 48 || r.width < 48).map(([e, r]) => (e.innerText || e.id) + " " + Math.round(r.width) + "x" + Math.round(r.height)); })()`) {
		p.t.Errorf("%s: too small for a thumb: %s", name, small)
	}
	eval[bool](p, fmt.Sprintf(`(() => { const d = document.documentElement; d.dataset.scheme = %q; d.dataset.hand = %q; d.style.fontSize = ""; return true; })()`, scheme, hand))
}
