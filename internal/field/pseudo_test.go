package field_test

import (
	"context"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/chromedp/chromedp"

	"meterwright/internal/asset"
	"meterwright/internal/devicekey"
	"meterwright/internal/field"
	"meterwright/internal/page"
	"meterwright/rules"
	"meterwright/say"
	"meterwright/site"
	"meterwright/visit"
)

// accented maps each letter to one that nobody reads as plain English.
var accented = strings.NewReplacer("a", "á", "b", "ƀ", "c", "ç", "d", "ð", "e", "é", "f", "ƒ", "g", "ĝ", "h", "ĥ", "i", "í", "j", "ĵ", "k", "ķ", "l", "ĺ", "m", "ɱ",
	"n", "ñ", "o", "ó", "p", "þ", "q", "ɋ", "r", "ŕ", "s", "š", "t", "ţ", "u", "ú", "v", "ʋ", "w", "ŵ", "x", "ẋ", "y", "ý", "z", "ž",
	"A", "Á", "B", "Ɓ", "C", "Ç", "D", "Ð", "E", "É", "F", "Ƒ", "G", "Ĝ", "H", "Ĥ", "I", "Í", "J", "Ĵ", "K", "Ķ", "L", "Ĺ", "M", "Ṁ",
	"N", "Ñ", "O", "Ó", "P", "Þ", "Q", "Ɋ", "R", "Ŕ", "S", "Š", "T", "Ţ", "U", "Ú", "V", "Ṽ", "W", "Ŵ", "X", "Ẋ", "Y", "Ý", "Z", "Ž")

// pseudoText is a text in a language that nobody speaks: accented, and 40 % longer by a word of its
// own length at the end, so that a line has to be broken as it would have to be in another language.
func pseudoText(s string) string {
	letters := 0
	for _, r := range s {
		if unicode.IsLetter(r) {
			letters++
		}
	}
	if letters < 2 {
		return s
	}
	var more strings.Builder
	for n := 0; n*5 < letters*2; n++ {
		if n%7 == 6 {
			more.WriteByte(' ')
		}
		more.WriteRune('ö')
	}
	body := strings.TrimRight(s, " \n")
	return "‹" + accented.Replace(body) + " " + more.String() + "›" + s[len(body):]
}

// pseudo is the language made of English.
func pseudo() *say.Language { return english().Map("qps", pseudoText) }

// pseudoBench is a bench at which pages and method speak the pseudo-language.
func pseudoBench(t *testing.T, with ...func(*field.Options)) *bench {
	resolved, err := shipped()
	if err != nil {
		t.Fatal(err)
	}
	words := map[string]string{}
	for _, w := range resolved.Vocabulary() {
		words[w.Key] = pseudoWords(w.Text)
	}
	out := *resolved
	out.Translations = map[string]map[string]string{"qps": words}
	b := newBench(t, append(with, func(o *field.Options) {
		o.Language = pseudo()
		o.Hands = append(o.Hands, &field.Hand{ID: "op-7", Name: "2", Signer: devicekey.Demonstration("field-test", "two")})
		pack := *rules.GB()
		pack.Schemes = slices.Clone(pack.Schemes)
		for i := range pack.Schemes {
			x := &pack.Schemes[i]
			x.Title, x.Edition, x.Categories = pseudoText(x.Title), pseudoText(x.Edition), slices.Clone(x.Categories)
			for j := range x.Categories {
				x.Categories[j].Meaning = pseudoText(x.Categories[j].Meaning)
			}
		}
		o.Pack = &pack
		d := o.Journal.(*desk)
		d.method = &out
		d.job.Address, d.job.Hazards, d.job.Dependants = "1", []string{"2"}, []string{"3"}
	})...)
	return b
}

// pseudoWords leaves what a method fills in as it is.
func pseudoWords(s string) string {
	parts := regexp.MustCompile(`\{[a-z]+\}`).FindAllStringIndex(s, -1)
	var b strings.Builder
	at := 0
	for _, p := range parts {
		b.WriteString(pseudoText(s[at:p[0]]))
		b.WriteString(s[p[0]:p[1]])
		at = p[1]
	}
	b.WriteString(pseudoText(s[at:]))
	return b.String()
}

var (
	tags      = regexp.MustCompile(`(?s)<!--.*?-->|<(?:script|style)\b.*?</(?:script|style)>|<svg\b.*?</svg>|<[^>]*>`)
	spokenOf  = regexp.MustCompile(`(?:aria-label|alt|title|placeholder|data-lost|data-words)="([^"]*)"`)
	plainWord = regexp.MustCompile(`[A-Za-z]{2,}[,;:]? +[A-Za-z]{2,}`)
	// typed is what people write in these tests, in their own language, and what the model weighs: the catalogue of
	// departures has its words in one language so far.
	typed = func() *strings.Replacer {
		spared := []string{"no camera", "", "No camera", "", "the fictional joint is open", "", "the fictional lamp is blown", "", "the fictional tail is open", ""}
		s, err := site.Expand(site.Spec{Arrangement: site.TNCS})
		if err != nil {
			panic(err)
		}
		for _, d := range s.Departures() {
			spared = append(spared, d.Words, "")
		}
		return strings.NewReplacer(spared...)
	}()
	// cited is the titles of what limits are taken from.
	cited   = regexp.MustCompile(`<span class="mark">[^<]*</span> *<span class="quiet">[^<]*</span>`)
	missing = regexp.MustCompile(`⟦[^⟧]*⟧?`)
)

// untranslated finds words on a page that are in no language but English, and what has no words at all.
func untranslated(body string) []string {
	_, body, _ = strings.Cut(body, "<body")
	_, body, _ = strings.Cut(body, ">")
	body = cited.ReplaceAllString(body, "")
	var list []string
	texts := tags.Split(body, -1)
	for _, m := range spokenOf.FindAllStringSubmatch(regexp.MustCompile(`(?s)<svg\b.*?</svg>`).ReplaceAllString(body, ""), -1) {
		texts = append(texts, m[1])
	}
	for _, text := range texts {
		text = typed.Replace(html.UnescapeString(text))
		list = append(list, plainWord.FindAllString(text, -1)...)
		list = append(list, missing.FindAllString(text, -1)...)
	}
	return list
}

// TestGallerySpeaksOneLanguage: in a language that nobody speaks no piece of the gallery has a word of
// English, nor a sentence without words.
func TestGallerySpeaksOneLanguage(t *testing.T) {
	h, names := field.Exhibit("/gallery", pseudo(), pseudoText)
	if len(names) < 25 {
		t.Fatalf("only %d pages", len(names))
	}
	for _, name := range append(names, "") {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", "http://127.0.0.1/"+url.PathEscape(name), nil))
		if w.Code != http.StatusOK {
			t.Errorf("%q: %d", name, w.Code)
		}
		if found := untranslated(w.Body.String()); len(found) > 0 {
			t.Errorf("%q: %q", name, found)
		}
	}
	// What is looked for can be found.
	if w := httptest.NewRecorder(); true {
		h, _ := field.Exhibit("/gallery", english(), pseudoText)
		h.ServeHTTP(w, httptest.NewRequest("GET", "http://127.0.0.1/", nil))
		if len(untranslated(w.Body.String())) == 0 {
			t.Error("English is taken for the pseudo-language")
		}
	}
}

// pages visits every page that the visit has as it stands, and those that its links lead to.
func (b *bench) pages(t *testing.T, each func(path, body string)) {
	t.Helper()
	base := "/field/op-9/visits/" + b.id
	for _, path := range []string{"/field/", "/field/op-9/", "/field/op-9/jobs/J-1", base, base + "/hands", base + "/prove", base + "/prove?with=two-pole-detector", base + "/take", base + "/take?with=voltmeter",
		base + "/check?item=gloves", base + "/wear", base + "/acts", base + "/leave", base + "/correct", base + "/photo", base + "/told", base + "/defect", base + "/end", base + "/handover",
		base + "/more", base + "/story", base + "/means", base + "/untested", base + "/back", base + "/note", base + "/dependant", base + "/aloud", base + "/resume", base + "/leaving", base + "/supplement", base + "/nothing"} {
		w := b.get(path)
		if w.Code != http.StatusOK && !strings.HasSuffix(path, "/nothing") {
			t.Errorf("%s: %d", path, w.Code)
		}
		each(path, w.Body.String())
	}
}

// TestWholeVisitSpeaksOneLanguage carries out a whole visit and looks at every page after each step: no
// word of English stands on any.
func TestWholeVisitSpeaksOneLanguage(t *testing.T) {
	said := 0
	b := pseudoBench(t, func(o *field.Options) { o.Adviser = chatty{&said} })
	look := func(at, body string) {
		for _, found := range untranslated(body) {
			t.Errorf("%s: %q", at, found)
		}
	}
	steps := 0
	for {
		v, head := b.fold()
		look("step "+v.Position(), b.page(""))
		if steps%25 == 24 || v.Position() == "" {
			b.pages(t, look)
		}
		if v.Position() == "" || t.Failed() {
			break
		}
		steps++
		b.clock.pass(time.Second)
		form := expected(v)
		form.Set("state", head)
		if w := b.do(form); w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), "refused") {
			t.Fatalf("%s: %d %s", v.Position(), w.Code, w.Body.String())
		}
	}
	if steps < 100 {
		t.Errorf("only %d steps", steps)
	}
	// A refusal, a form of before, a stop, two who hold it, and the end.
	refused := b.as(who, url.Values{"kind": {"ended"}, "outcome": {"completed"}, "left": {"1"}})
	look("ended", b.page(""))
	_ = refused
	b = pseudoBench(t)
	w := b.as(who, url.Values{"kind": {"acted"}, "act": {"withdraw-carrier"}})
	look("refused", b.get(w.Header().Get("Location")).Body.String())
	look("stale", b.do(url.Values{"kind": {"inspected"}, "step": {"premises"}, "answer": {"they agree"}, "state": {strings.Repeat("a", 64)}}).Body.String())
	b.must(who, url.Values{"kind": {"went-away"}})
	look("away", b.page(""))
	b.must(who, url.Values{"kind": {"came-back"}})
	b.must(who, url.Values{"kind": {"stopped"}, "why": {"1"}})
	look("stop", b.page(""))
	b.must("op-7", url.Values{"kind": {"taken-over"}})
	look("in other hands", b.page(""))
	b.offline("one", who, visit.Stopped{Why: "2"})
	look("held by two", b.page(""))
	b.pages(t, look)
}

// TestNothingRunsOffTheScreen shows the pages in the pseudo-language on a narrow screen: nothing is wider
// than its place.
func TestNothingRunsOffTheScreen(t *testing.T) {
	chromium, err := exec.LookPath("chromium")
	if err != nil || !asset.Built() {
		if os.Getenv("MW_ALLOW_MISSING") == "1" {
			t.Skip("left out: no chromium, or no assets")
		}
		t.Fatalf("chromium and the built assets are needed (MW_ALLOW_MISSING=1 leaves this test out): %v", err)
	}
	said := 0
	b := pseudoBench(t, func(o *field.Options) { o.Adviser = chatty{&said} })
	b.to("socket-line-earth")
	gallery, names := field.Exhibit("/gallery", pseudo(), pseudoText)
	mux := http.NewServeMux()
	mux.Handle("/assets/", http.StripPrefix("/assets/", page.Assets(field.Static(), asset.Files())))
	mux.Handle("/field/", b.handler)
	mux.Handle("/gallery/", http.StripPrefix("/gallery", gallery))
	site := httptest.NewServer(mux)
	defer site.Close()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), opts...)
	defer cancel()
	ctx, cancel = chromedp.NewContext(ctx)
	defer cancel()
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(360, 740, chromedp.EmulateMobile)); err != nil {
		t.Fatal(err)
	}
	looked := 0
	look := func(path string) {
		looked++
		wide, err := wideAt(ctx, site.URL+path)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range wide {
			t.Errorf("%s: %s", path, x)
		}
		if dir := os.Getenv("MW_SCREENS"); dir != "" {
			shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			if err != nil {
				t.Fatal(err)
			}
			name := regexp.MustCompile(`[^a-z0-9-]+`).ReplaceAllString(strings.TrimPrefix(path, "/"), "_")
			if err := os.WriteFile(filepath.Join(dir, name+".png"), shot, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, n := range append(names, "") {
		look("/gallery/" + url.PathEscape(n))
	}
	b.pages(t, func(path, _ string) { look(path) })
	if looked < 50 {
		t.Errorf("only %d pages were looked at", looked)
	}
}

// wideAt opens a page and lists what is wider than its place.
func wideAt(ctx context.Context, at string) ([]string, error) {
	if err := chromedp.Do(ctx, chromedp.Navigate(at)); err != nil {
		return nil, fmt.Errorf("%s: %w", at, err)
	}
	return chromedp.Run(ctx, chromedp.Evaluate[[]string](`(() => {
		for (const d of document.querySelectorAll("details")) d.open = true;
		return [document.documentElement, ...document.querySelectorAll("body *")]
			.filter((e) => e.getClientRects().length && !e.closest("svg") && !e.closest(".sr"))
			.filter((e) => e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0 || e.getBoundingClientRect().right > 361)
			.map((e) => e.tagName + "." + e.className + " " + e.scrollWidth + ">" + e.clientWidth + " " + (e.innerText || "").slice(0, 60));
	})()`))
}
