package office_test

import (
	"context"
	"encoding/json/v2"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"meterwright/internal/test/invented"
)

// screens is where pictures of every screen are put, to be looked at.
const screens = "../../build/screens"

// desk is a browser on a desk, worked by keyboard alone.
type desk struct {
	t    *testing.T
	ctx  context.Context
	site string
	axe  string
}

// absent ends a test for which something is not there: loudly, unless MW_ALLOW_MISSING=1 allows
// it to be left out.
func absent(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("MW_ALLOW_MISSING") == "1" {
		t.Skipf("left out: %s", what)
	}
	t.Fatalf("%s (MW_ALLOW_MISSING=1 leaves these tests out)", what)
}

func newDesk(t *testing.T, site string) *desk {
	t.Helper()
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		absent(t, "chromium is not installed, and these tests drive the pages in it")
	}
	axe, err := os.ReadFile("../../web/node_modules/axe-core/axe.min.js")
	if err != nil {
		absent(t, "axe-core is not there: run npm ci in web first")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	d := &desk{t: t, ctx: ctx, site: site, axe: string(axe)}
	d.do(chromedp.EmulateViewport(1440, 900))
	return d
}

func (d *desk) do(actions ...chromedp.Action[chromedp.Void]) {
	d.t.Helper()
	if err := chromedp.Do(d.ctx, actions...); err != nil {
		d.t.Fatal(err)
	}
}

// eval runs a script in the page.
func eval[T any](d *desk, script string) T {
	d.t.Helper()
	v, err := chromedp.Run(d.ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		d.t.Fatalf("%.80s: %v", script, err)
	}
	return v
}

func quote(s string) string {
	b, err := json.Marshal(s)
	if err != nil {
		return `""`
	}
	return string(b)
}

func (d *desk) press(key string) { d.t.Helper(); d.do(chromedp.KeyEvent(key)) }

// focus presses Tab until what has the focus bears the words, and it must be seen to have it.
func (d *desk) focus(words string) {
	d.t.Helper()
	for range 250 {
		d.press(kb.Tab)
		if eval[bool](d, `(() => {
			const e = document.activeElement, want = `+quote(words)+`;
			if (!e || e === document.body) return false;
			const label = e.closest("label");
			const own = (e.getAttribute("aria-label") || e.innerText || e.value || "").replace(/\s+/g, " ").trim();
			const name = (label && label.innerText || "").replace(/\s+/g, " ").trim();
			return own === want || name.startsWith(want) && !!label;
		})()`) {
			if eval[string](d, `getComputedStyle(document.activeElement).outlineStyle`) == "none" {
				d.t.Errorf("%q has the focus and does not show it", words)
			}
			return
		}
	}
	d.t.Fatalf("Tab never comes to %q on %s:\n%.3000s", words, eval[string](d, `location.pathname`), d.text())
}

// settle waits for the page that an action leads to.
func (d *desk) settle(act func()) {
	d.t.Helper()
	eval[bool](d, `(window.old = true)`)
	act()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); {
		v, err := chromedp.Run(d.ctx, chromedp.Evaluate[bool](`document.readyState === "complete" && !window.old`))
		if err == nil && v {
			return
		}
	}
	d.t.Fatalf("nothing came of it; the page is %s", eval[string](d, `location.href`))
}

// enter goes to what bears the words and presses Enter.
func (d *desk) enter(words string) {
	d.t.Helper()
	d.focus(words)
	d.settle(func() { d.press(kb.Enter) })
}

func (d *desk) text() string { return eval[string](d, `document.body.innerText`) }

// says fails unless the page has the words.
func (d *desk) says(words ...string) {
	d.t.Helper()
	text := strings.ToLower(d.text())
	for _, w := range words {
		if !strings.Contains(text, strings.ToLower(w)) {
			d.t.Fatalf("the page does not say %q:\n%.3000s", w, text)
		}
	}
}

// picture keeps what is in the window.
func (d *desk) picture(name string) {
	d.t.Helper()
	if err := os.MkdirAll(screens, 0o755); err != nil {
		d.t.Fatal(err)
	}
	shot, err := chromedp.Run(d.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		d.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(screens, "office-"+name+".png"), shot, 0o644); err != nil {
		d.t.Fatal(err)
	}
}

// look takes pictures of a screen, light and dark, and has the accessibility checker go over it.
func (d *desk) look(name string) {
	d.t.Helper()
	d.do(chromedp.Evaluate[chromedp.Void](d.axe))
	for _, scheme := range []string{"light", "dark"} {
		eval[bool](d, fmt.Sprintf(`(document.documentElement.dataset.scheme = %q) !== ""`, scheme))
		eval[bool](d, `document.fonts.ready.then(() => true)`)
		d.picture(name + "." + scheme)
		if wide := eval[int](d, `document.documentElement.scrollWidth`); wide > 1440 {
			d.t.Errorf("%s, %s: the page is %d pixels wide", name, scheme, wide)
		}
		// The dark version differs by its colours alone.
		rules := `{ resultTypes: ["violations"] }`
		if scheme == "dark" {
			rules = `{ resultTypes: ["violations"], runOnly: ["color-contrast"] }`
		}
		for _, found := range eval[[]string](d, `axe.run(document, `+rules+`).then((r) => r.violations.flatMap((v) => v.nodes.slice(0, 3).map((n) => v.id + ": " + n.target.join(" ") + ": " + (n.failureSummary || v.help).slice(0, 240))))`) {
			d.t.Errorf("%s, %s: %s", name, scheme, found)
		}
	}
	eval[bool](d, `(document.documentElement.dataset.scheme = "") === ""`)
}

// TestKeyboard carries the office's flows out by keyboard alone at 1440 by 900, with pictures of
// every screen and the accessibility checker on each.
func TestKeyboard(t *testing.T) {
	s, made := fill(t)
	site := httptest.NewServer(handler(t, s))
	t.Cleanup(site.Close)
	d := newDesk(t, site.URL)

	// The day: what needs somebody leads to the visit.
	d.do(chromedp.Navigate(site.URL + "/office/"))
	d.says("6 visits", "Needs somebody", "off 23 min")
	d.look("day")
	d.press(kb.Tab)
	if eval[string](d, `document.activeElement.innerText`) != "To the content" {
		t.Error("the first Tab does not lead past the navigation")
	}
	d.enter("Premises")
	d.enter("Premises ↑")
	if !strings.Contains(eval[string](d, `location.search`), "sort=-premises") {
		t.Error("the list is not sorted by its head")
	}
	d.enter("2 Tollhouse Mews, Northmere")
	d.says("Voltage on metalwork", "service termination issue reporting")
	d.look("visit-metalwork")

	// Somebody takes what it needs, and it waits no longer; what was taken is listed with who took it.
	d.focus("Who takes it")
	d.do(chromedp.KeyEvent("A"))
	d.focus("What was done")
	d.do(chromedp.KeyEvent("Rang the control room, ref 9"))
	d.settle(func() { d.press(kb.Enter) })
	d.says("Taken", "A. Brindle: Rang the control room, ref 9. It was: Stopped: voltage on metalwork")
	d.look("visit-taken")
	d.enter("Needs somebody")
	d.says("19 Weir Lane", "The place is guarded")
	if strings.Contains(d.text(), "2 Tollhouse Mews") {
		t.Error("what was taken waits")
	}
	d.look("needs")
	d.enter("Taken")
	d.says("2 Tollhouse Mews", "A. Brindle", "Rang the control room")
	d.look("taken")

	d.do(chromedp.Navigate(site.URL + "/office/visit/" + made["metalwork"].ID))
	d.enter("Distributor's report")
	d.says("Report to the distributor", "44-1")
	d.look("report-distributor")

	// One visit: readings with their limit and its source, one key away.
	d.do(chromedp.Navigate(site.URL + "/office/visit/" + made["void"].ID))
	d.says("Done in spite of a refusal")
	d.focus("Readings")
	d.press(kb.Enter)
	d.focus("216.2 to 253.0 V S")
	if strings.Contains(d.text(), "Electricity Safety, Quality") {
		t.Error("the source is shown before anybody asks")
	}
	d.press(kb.Enter)
	d.says("Electricity Safety, Quality and Continuity Regulations 2002")
	d.look("visit-void")
	d.do(chromedp.Navigate(site.URL + "/office/visit/" + made["whole"].ID))
	if n := eval[int](d, `[...document.images].filter((i) => i.complete && i.naturalWidth === 640).length`); n != 5 {
		t.Errorf("%d photographs are shown", n)
	}
	d.look("visit-whole")

	// Defects: filter, and the reports.
	d.enter("Defects")
	d.look("defects")
	d.focus("Told")
	d.do(chromedp.KeyEvent("N"))
	d.enter("Filter")
	d.says("The carrier is cracked")
	if strings.Contains(d.text(), "44-1") {
		t.Error("the filter lets what was told through")
	}
	d.enter("Instruments")
	d.says("overdue by 54 days")
	d.look("instruments")
	d.enter("TP-12")
	d.says("Visits that relied on it")
	d.look("instrument")
	d.enter("Visits")
	d.look("visits")
	d.focus("Words")
	d.do(chromedp.KeyEvent("ropewalk"))
	d.settle(func() { d.press(kb.Enter) })
	d.says("5 Ropewalk")
	if strings.Contains(eval[string](d, `document.querySelector("table").innerText`), "Weir Lane") {
		t.Error("the filter lets other visits through")
	}

	// Jobs: import a file with a bad row. The dialog for choosing a file is the system's.
	d.enter("Jobs")
	d.look("jobs")
	d.enter("Import jobs")
	d.look("import")
	dir := t.TempDir()
	file := filepath.Join(dir, "<b>day.csv")
	write(t, file, header+row("NM-3001", "1 Mill Cut")+row("NM-3002", strings.Repeat("x", 600)))
	d.do(chromedp.SetUploadFiles(chromedp.CSS(`input[type=file]`), []string{file}))
	d.enter("Look at it")
	d.says("<b>day.csv: looked at", "1 to add", "1 refused", "too long", "Would be added")
	d.look("import-preview")
	d.enter("Take these jobs over")
	d.says("<b>day.csv: taken over", "1 added", "1 refused", "too long")
	d.look("import-done")
	write(t, file, "\x7fELF\xff")
	d.do(chromedp.SetUploadFiles(chromedp.CSS(`input[type=file]`), []string{file}))
	d.enter("Look at it")
	d.says("Nothing was kept", "not UTF-8", "<b>day.csv")
	d.look("import-refused")

	// Verify a record.
	d.enter("Verify a record")
	d.look("verify")
	record := filepath.Join(dir, "record.jsonl")
	write(t, record, string(made["whole"].File()))
	d.do(chromedp.SetUploadFiles(chromedp.CSS(`input[type=file]`), []string{record}))
	d.enter("Verify")
	d.says("Genuine and ended", "up to the same last one")
	d.look("verify-genuine")
	write(t, record, altered(t, string(made["whole"].File())))
	d.do(chromedp.SetUploadFiles(chromedp.CSS(`input[type=file]`), []string{record}))
	d.enter("Verify")
	d.says("Not genuine")
	d.look("verify-not-genuine")

	d.do(chromedp.Navigate(site.URL + "/office/visit/" + made["interference"].ID + "/report/supplier"))
	d.look("report-supplier")
	d.do(chromedp.Navigate(site.URL + "/office/visit/" + made["whole"].ID + "/report/consumer"))
	d.look("report-consumer")
	d.do(chromedp.Navigate(site.URL + "/office/nothing"))
	d.look("nothing")

	// What the model made of the readings: under its own head, with every answer; and a danger that is
	// most likely and that nobody has answered waits at the side of the day.
	meanings, err := invented.Make("meanings", invented.Somewhere("NM-1047", "8 Chandler's Row, Northmere", "nq-117"))
	if err != nil {
		t.Fatal(err)
	}
	handIn(t, s, meanings)
	d.do(chromedp.Navigate(site.URL + "/office/"))
	d.says("What was read most likely means a danger, and nobody has answered that")
	d.enter("8 Chandler's Row, Northmere")
	d.focus("What this may mean")
	d.press(kb.Enter)
	d.says("Nothing here leads past a stop of the method", "followed", "most likely")
	d.look("visit-means")
	d.do(chromedp.Navigate(site.URL + "/office/visit/" + meanings.ID + "/report/consumer"))
	if text := d.text(); strings.Contains(text, "about to open") || strings.Contains(text, "may mean") {
		t.Error("what it may mean stands on the consumer's copy")
	}
}

func write(t *testing.T, file, content string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestNoScriptRuns: markup in a record and in the name of a file runs nothing in a real browser.
func TestNoScriptRuns(t *testing.T) {
	s, _ := fill(t)
	const evil = `<img src=x onerror="window.hit=1"><script>window.hit=1</script>`
	v, err := invented.Make("void", invented.Somewhere(evil, evil, "nq-104"), func(j *invented.Job, _ *invented.Script) {
		j.Kit.Instruments[2].ID = `"><svg onload=window.hit=1>`
	})
	if err != nil {
		t.Fatal(err)
	}
	handIn(t, s, v)
	site := httptest.NewServer(handler(t, s))
	t.Cleanup(site.Close)
	d := newDesk(t, site.URL)
	at := site.URL + "/office/visit/" + v.ID
	for _, path := range []string{site.URL + "/office/", at, at + "/report/full", at + "/report/consumer", site.URL + "/office/defects", site.URL + "/office/instruments", site.URL + "/office/visits"} {
		d.do(chromedp.Navigate(path))
		if eval[bool](d, `window.hit === 1 || !!document.querySelector("main img[src=x], main script, main svg[onload]")`) {
			t.Errorf("%s: markup of a record became part of the page", path)
		}
	}
	file := filepath.Join(t.TempDir(), `<img src=x onerror=window.hit=1>.csv`)
	write(t, file, "\xff")
	d.do(chromedp.Navigate(site.URL+"/office/jobs/import"), chromedp.SetUploadFiles(chromedp.CSS(`input[type=file]`), []string{file}))
	d.enter("Look at it")
	d.says("<img src=x onerror=window.hit=1>.csv")
	if eval[bool](d, `window.hit === 1`) {
		t.Error("the name of a file ran")
	}
}
