package drawing_test

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"meterwright/internal/asset"
	"meterwright/internal/test/pseudo"
	"meterwright/say/en"
)

// page is drawings as wide as a narrow screen, in the style of every page, at a size of text.
func page(t *testing.T, percent int, drawings map[string]string) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("<!doctype html><meta charset=utf-8><style>")
	for _, name := range []string{"tokens.css", "base.css"} {
		text, err := os.ReadFile(filepath.Join("..", "page", "static", name))
		if err != nil {
			t.Fatal(err)
		}
		b.Write(text)
	}
	fmt.Fprintf(&b, "html{font-size:%d%%}body{margin:0;display:flex;flex-wrap:wrap;gap:12px;background:var(--paper)}figure{margin:0;width:360px}figcaption{font-size:10px}</style><body>", percent)
	for _, name := range slices.Sorted(maps.Keys(drawings)) {
		fmt.Fprintf(&b, "<figure id=%q>%s<figcaption>%s</figcaption></figure>", name, drawings[name], name)
	}
	return b.String()
}

// browser opens Chromium on a site that shows what pages holds.
func browser(t *testing.T, pages map[string]string) (context.Context, string) {
	t.Helper()
	chromium, err := exec.LookPath("chromium")
	if _, no := asset.Files().Open("fonts/IBMPlexSans-Regular.woff2"); err == nil {
		err = no
	}
	if err != nil {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("left out: no chromium, or no assets")
		}
		t.Fatalf("chromium and the built assets are needed (MW_ALLOW_MISSING=1 leaves this test out): %v", err)
	}
	mux := http.NewServeMux()
	mux.Handle("/assets/", http.StripPrefix("/assets/", http.FileServerFS(asset.Files())))
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		_, _ = w.Write([]byte(pages[strings.TrimPrefix(r.URL.Path, "/")]))
	})
	site := httptest.NewServer(mux)
	t.Cleanup(site.Close)
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1500, 900, chromedp.EmulateScale(2))); err != nil {
		t.Fatal(err)
	}
	return ctx, site.URL
}

// seen is what the browser shows of one drawing: what lies on what, and the height of each label in pixels.
type seen struct {
	Faults  []string
	Letters map[string]float64
	Meant   map[string]bool
}

// looking measures every drawing by the boxes that the browser gives, and knows nothing of how it was laid
// out. IBM Plex Sans rises 1.025 and falls 0.275 of its height about the base line; its letters fill from a
// quarter to 1.23 of that.
const looking = `(() => {
	const all = {};
	for (const figure of document.querySelectorAll("figure")) {
		const svg = figure.querySelector("svg"), view = svg.viewBox.baseVal, faults = [], letters = {}, meant = {};
		const scale = svg.getBoundingClientRect().width / view.width;
		const meets = (a, b) => a.l < b.r && b.l < a.r && a.t < b.b && b.t < a.b;
		const within = (a, b) => a.l >= b.l && a.r <= b.r && a.t >= b.t && a.b <= b.b;
		const box = (e, by) => { const b = e.getBBox(); return {l: b.x - by, t: b.y - by, r: b.x + b.width + by, b: b.y + b.height + by}; };
		const texts = [...svg.querySelectorAll("text.tiny, text.named")].map((e) => {
			const b = e.getBBox(), size = parseFloat(getComputedStyle(e).fontSize);
			const name = e.textContent + "@" + e.getAttribute("x") + "," + e.getAttribute("y");
			letters[name] = size * scale;
			meant[name] = e.classList.contains("named");
			return {words: e.textContent, l: b.x, r: b.x + b.width, t: b.y + 0.25 * size, b: b.y + 1.23 * size};
		});
		const dots = [];
		for (const e of svg.querySelectorAll("path.wire")) {
			for (let at = 0, long = e.getTotalLength(); at <= long; at += 2) {
				const p = e.getPointAtLength(at);
				dots.push({what: e.getAttribute("class"), l: p.x - 3, r: p.x + 3, t: p.y - 3, b: p.y + 3});
			}
		}
		for (const e of svg.querySelectorAll(".ring, .tag, .hole, .held, .void, .behind")) dots.push({what: e.getAttribute("class"), ...box(e, 1)});
		const frame = {l: view.x, t: view.y, r: view.x + view.width, b: view.y + view.height};
		texts.forEach((x, i) => {
			const found = new Set(dots.filter((d) => meets(x, d)).map((d) => d.what));
			for (const o of texts.slice(0, i)) if (meets(x, o)) found.add(o.words);
			for (const e of svg.querySelectorAll("rect.part, rect.cover, rect.carrier, rect.shroud, rect.screen, rect.seal")) {
				const r = box(e, 0);
				if (meets(x, r) && !within(x, r)) found.add("the edge of " + e.getAttribute("class"));
			}
			if (!within(x, frame)) found.add("the edge of the view");
			for (const f of found) faults.push(x.words + " meets " + f);
		});
		for (const e of svg.querySelectorAll(".ring, .tag")) if (!within(box(e, 0), frame)) faults.push(e.getAttribute("class") + " is cut");
		all[figure.id] = {Faults: faults, Letters: letters, Meant: meant};
	}
	return all;
})()`

// TestLabelsInABrowser: at the usual size of text and at twice that, in the whole and close up, no label
// meets a conductor, a ring, a letter, a point, an edge or another label; each is twelve pixels high at the
// least on a narrow screen, and grows with the text.
func TestLabelsInABrowser(t *testing.T) {
	pages := map[string]string{}
	sizes := []int{100, 200}
	for _, percent := range sizes {
		for _, zoom := range []bool{false, true} {
			all := map[string]string{}
			for name, p := range gallery {
				p.Zoom = zoom
				all[name] = draw(t, p).SVG()
			}
			pages[fmt.Sprintf("%d-%t", percent, zoom)] = page(t, percent, all)
		}
	}
	// In a language that is longer by two fifths nothing meets either.
	english, err := en.Language()
	if err != nil {
		t.Fatal(err)
	}
	longer := map[string]string{}
	for name, p := range gallery {
		longer[name] = drawIn(english.Map(pseudo.Language, pseudo.Text), p).SVG()
	}
	pages["longer"] = page(t, 200, longer)
	ctx, at := browser(t, pages)
	shown := map[string]map[string]seen{}
	for name := range pages {
		if err := chromedp.Do(ctx, chromedp.Navigate(at+"/"+name)); err != nil {
			t.Fatal(err)
		}
		all, err := chromedp.Run(ctx, chromedp.Evaluate[map[string]seen](looking))
		if err != nil {
			t.Fatal(err)
		}
		shown[name] = all
		if len(all) != len(gallery) {
			t.Errorf("%s: %d drawings of %d", name, len(all), len(gallery))
		}
		for one, x := range all {
			for _, f := range x.Faults {
				t.Errorf("%s, %s: %s", name, one, f)
			}
		}
		if dir := os.Getenv("MW_SCREENS"); dir != "" {
			picture(ctx, t, filepath.Join(dir, name+".png"), chromedp.FullScreenshot(100))
			for one := range gallery {
				picture(ctx, t, filepath.Join(dir, one+"-"+name+".png"), chromedp.Screenshot("#"+one))
			}
		}
	}
	for _, zoom := range []string{"-false", "-true"} {
		for one, usual := range shown["100"+zoom] {
			for label, high := range usual.Letters {
				large := shown["200"+zoom][one].Letters[label]
				// Two points that lie far apart are shown with more than the whole width.
				far := zoom == "-true" && !usual.Meant[label]
				if high < 11.9 && !far || high < 11 || large < 1.15*high && !far {
					t.Errorf("%s%s: %s is %.1f px high, and %.1f at twice the text", one, zoom, label, high, large)
				}
			}
		}
	}
}

func picture(ctx context.Context, t *testing.T, name string, how chromedp.Action[[]byte]) {
	t.Helper()
	shot, err := chromedp.Run(ctx, how)
	if err == nil {
		err = os.WriteFile(name, shot, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}
