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

// TestInABrowser looks at every position of the gallery.
func TestInABrowser(t *testing.T) {
	pages := map[string]string{}
	for _, percent := range []int{100, 200} {
		for _, zoom := range []bool{false, true} {
			all := map[string]string{}
			for name, p := range gallery {
				p.Zoom = zoom
				all[name] = draw(t, p).SVG()
			}
			pages[fmt.Sprintf("%d-%t", percent, zoom)] = page(t, percent, all)
		}
	}
	ctx, at := browser(t, pages)
	for name := range pages {
		if err := chromedp.Do(ctx, chromedp.Navigate(at+"/"+name)); err != nil {
			t.Fatal(err)
		}
		if dir := os.Getenv("MW_SCREENS"); dir != "" {
			picture(ctx, t, filepath.Join(dir, name+".png"), chromedp.FullScreenshot(100))
			for one := range gallery {
				picture(ctx, t, filepath.Join(dir, one+"-"+name+".png"), chromedp.Screenshot("#"+one))
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
