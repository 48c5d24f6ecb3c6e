package field_test

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"meterwright/record"
)

// state is the hash of the last line that the visit's page knows.
func (b *bench) state() string { _, head := b.fold(); return head }

func (b *bench) count() int { return len(b.desk.lines[b.id]) }

// send sends a form with a file.
func (b *bench) send(fields map[string]string, field, name, media string, content []byte) *httptest.ResponseRecorder {
	b.t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for k, v := range fields {
		if err := w.WriteField(k, v); err != nil {
			b.t.Fatal(err)
		}
	}
	part, err := w.CreatePart(map[string][]string{"Content-Disposition": {fmt.Sprintf(`form-data; name=%q; filename=%q`, field, name)}, "Content-Type": {media}})
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := part.Write(content); err != nil {
		b.t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		b.t.Fatal(err)
	}
	r := httptest.NewRequest("POST", "http://127.0.0.1/field/op-9/visits/"+b.id+"/do", &body)
	r.Header.Set("Content-Type", w.FormDataContentType())
	out := httptest.NewRecorder()
	b.handler.ServeHTTP(out, r)
	return out
}

func picture(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// withPosition puts an application segment with a position, as cameras write one (Exif, JEITA
// CP-3451), after the start of a JPEG.
func withPosition(jpg []byte) []byte {
	segment := append([]byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08"), []byte("GPSLatitude 51.4779N GPSLongitude 0.0015W")...)
	n := len(segment) + 2
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1, byte(n >> 8), byte(n)}, segment...)
	return append(out, jpg[2:]...)
}

func TestPhotographIsKeptWithoutItsPosition(t *testing.T) {
	b := newBench(t)
	content := withPosition(picture(t))
	fields := map[string]string{"kind": "photograph", "of": "the cupboard", "state": b.state()}
	if w := b.send(fields, "picture", "IMG_1.JPG", "image/jpeg", content); w.Code != http.StatusSeeOther {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if len(b.desk.things) != 1 {
		t.Fatalf("%d attachments are kept", len(b.desk.things))
	}
	for id, container := range b.desk.things {
		if bytes.Contains(container, []byte("GPS")) {
			t.Error("the position is still in the picture")
		}
		w := b.get("/field/op-9/visits/" + b.id + "/pictures/" + string(id))
		if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "image/jpeg" {
			t.Errorf("the picture is not given back: %d", w.Code)
		}
	}
	lines := b.count()
	// The same form again, as after a lost answer: one line, one picture.
	if w := b.send(fields, "picture", "IMG_1.JPG", "image/jpeg", content); w.Code != http.StatusSeeOther || b.count() != lines || len(b.desk.things) != 1 {
		t.Errorf("sent twice: %d, %d lines, %d pictures", w.Code, b.count()-lines, len(b.desk.things))
	}
}

func TestHostileForms(t *testing.T) {
	b := newBench(t)
	note := func(words string) url.Values {
		return url.Values{"kind": {"noted"}, "words": {words}, "state": {b.state()}}
	}
	many := url.Values{"kind": {"noted"}, "words": {"x"}, "state": {b.state()}}
	for i := range 300 {
		many.Set(fmt.Sprintf("f%d", i), "x")
	}
	for name, form := range map[string]url.Values{
		"no kind":                {"state": {b.state()}},
		"unknown kind":           {"kind": {"opened"}, "state": {b.state()}},
		"refused by hand":        {"kind": {"refused"}, "state": {b.state()}},
		"control character":      note("a\x00b"),
		"line break":             note("a\nb"),
		"turned round":           note("a\u202eb"),
		"broken encoding":        note("a\xff"),
		"long":                   note(strings.Repeat("x", 3000)),
		"many parts":             many,
		"no such step":           {"kind": {"observed"}, "step": {"../../etc/passwd"}, "shows": {"lit"}, "state": {b.state()}},
		"answer of another":      {"kind": {"inspected"}, "step": {"premises"}, "answer": {"lit"}, "state": {b.state()}},
		"not a number":           {"kind": {"observed"}, "step": {"socket-line-earth"}, "number": {"1e3"}, "unit": {"V"}, "state": {b.state()}},
		"number of another":      {"kind": {"observed"}, "step": {"socket-line-earth"}, "number": {"230"}, "unit": {"kV"}, "state": {b.state()}},
		"no such act":            {"kind": {"acted"}, "act": {"rm -rf"}, "state": {b.state()}},
		"no such event":          {"kind": {"corrected"}, "event": {"<script>"}, "now": {"lit"}, "why": {"x"}, "state": {b.state()}},
		"category without one":   {"kind": {"defect"}, "owner": {"distributor"}, "asset": {"box"}, "words": {"x"}, "category": {"A"}, "state": {b.state()}},
		"end without a state":    {"kind": {"ended"}, "outcome": {"abandoned"}, "state": {b.state()}},
		"happened in no time":    {"kind": {"inspected"}, "step": {"premises"}, "answer": {"they agree"}, "after": {"1"}, "happened": {"soon"}, "state": {b.state()}},
		"happened in the coming": {"kind": {"inspected"}, "step": {"premises"}, "answer": {"they agree"}, "after": {"1"}, "happened": {"23:59"}, "state": {b.state()}},
	} {
		before := b.count()
		w := b.do(form)
		if w.Code != http.StatusBadRequest && w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: answered %d", name, w.Code)
		}
		if b.count() != before {
			t.Errorf("%s: something was recorded", name)
		}
		if text := w.Body.String(); !strings.Contains(text, "<main") || strings.Contains(text, "<script>") {
			t.Errorf("%s: no page, or one with a script in it: %s", name, text)
		}
	}
	// A form that was made for a state that never was is answered with where things stand.
	w := b.do(url.Values{"kind": {"inspected"}, "step": {"premises"}, "answer": {"they agree"}, "state": {strings.Repeat("a", 64)}})
	if w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "They agree") {
		t.Errorf("a state that never was: %d", w.Code)
	}
}

func TestHostileWordsAreShownAsWords(t *testing.T) {
	b := newBench(t)
	words := `<script>alert(1)</script>"'&<img src=x onerror=alert(1)>`
	if w := b.do(url.Values{"kind": {"noted"}, "words": {words}, "state": {b.state()}}); w.Code != http.StatusSeeOther {
		t.Fatalf("%d", w.Code)
	}
	text := b.get("/field/op-9/visits/" + b.id + "/story").Body.String()
	if strings.Contains(text, "<script>alert") || strings.Contains(text, "<img src=x") || !strings.Contains(text, "&lt;script&gt;") {
		t.Error("the words of a note are not shown as words")
	}
}

func TestHostileFiles(t *testing.T) {
	b := newBench(t)
	for name, f := range map[string]struct {
		file, media string
		content     []byte
		says        string
	}{
		"a page":          {"a.html", "image/jpeg", []byte("<html><script>alert(1)</script>"), "no JPEG or PNG"},
		"a drawing":       {"a.svg", "image/png", []byte(`<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`), "no JPEG or PNG"},
		"nothing":         {"a.jpg", "image/jpeg", nil, "no JPEG or PNG"},
		"half a picture":  {"a.jpg", "image/jpeg", picture(t)[:30], ""},
		"a hostile name":  {"../../../x\x00.jpg", "image/jpeg", []byte("GIF89a"), "no JPEG or PNG"},
		"a wrong picture": {"a.png", "image/png", []byte("\x89PNG\r\n\x1a\nnothing more"), ""},
	} {
		before := b.count()
		w := b.send(map[string]string{"kind": "photograph", "of": "x", "on": "photo", "state": b.state()}, "picture", f.file, f.media, f.content)
		if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), f.says) {
			t.Errorf("%s: answered %d %.300s", name, w.Code, w.Body)
		}
		if b.count() != before || len(b.desk.things) != 0 {
			t.Errorf("%s: something was kept", name)
		}
	}
	big := bytes.Repeat([]byte{0xff}, record.MaxAttachment+2<<20)
	copy(big, "\xff\xd8\xff")
	if w := b.send(map[string]string{"kind": "photograph", "of": "x", "state": b.state()}, "picture", "big.jpg", "image/jpeg", big); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "smaller") {
		t.Errorf("too large: %d %.200s", w.Code, w.Body)
	}
}

// TestConnectionLostInMidPhotograph breaks an upload off: nothing is kept, and the same form sent
// whole afterwards is recorded once.
func TestConnectionLostInMidPhotograph(t *testing.T) {
	b := newBench(t)
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	_ = w.WriteField("kind", "photograph")
	part, _ := w.CreateFormFile("picture", "a.jpg")
	_, _ = part.Write(picture(t))
	half := io.LimitReader(&body, 200)
	r := httptest.NewRequest("POST", "http://127.0.0.1/field/op-9/visits/"+b.id+"/do", half)
	r.Header.Set("Content-Type", w.FormDataContentType())
	out := httptest.NewRecorder()
	before := b.count()
	b.handler.ServeHTTP(out, r)
	if out.Code != http.StatusBadRequest || b.count() != before || len(b.desk.things) != 0 {
		t.Errorf("half an upload: %d, %d lines, %d pictures", out.Code, b.count()-before, len(b.desk.things))
	}
	fields := map[string]string{"kind": "photograph", "of": "the cupboard", "state": b.state()}
	if got := b.send(fields, "picture", "a.jpg", "image/jpeg", picture(t)); got.Code != http.StatusSeeOther || b.count() != before+1 {
		t.Errorf("sent whole: %d", got.Code)
	}
}

// TestJournalThatFails has the journal fail before and after it keeps a line: the page says that it
// is not certain, and the form sent again is recorded once.
func TestJournalThatFails(t *testing.T) {
	for _, how := range []int{1, 2} {
		b := newBench(t)
		form := url.Values{"kind": {"inspected"}, "step": {"premises"}, "answer": {"they agree"}, "state": {b.state()}}
		before := b.count()
		b.desk.broken = how
		if w := b.do(form); w.Code != http.StatusInternalServerError || !strings.Contains(w.Body.String(), "not certain") {
			t.Errorf("broken %d: %d %s", how, w.Code, w.Body)
		}
		b.desk.broken = 0
		if w := b.do(form); w.Code != http.StatusSeeOther || b.count() != before+1 {
			t.Errorf("broken %d, sent again: %d, %d lines more", how, w.Code, b.count()-before)
		}
	}
}

// TestFullDisk: a full disk is called that, and the entry is taken once there is room.
func TestFullDisk(t *testing.T) {
	b := newBench(t)
	form := url.Values{"kind": {"inspected"}, "step": {"premises"}, "answer": {"they agree"}, "state": {b.state()}}
	before := b.count()
	b.desk.broken = 3
	if w := b.do(form); w.Code != http.StatusInsufficientStorage || !strings.Contains(w.Body.String(), "The disk is full.") || !strings.Contains(w.Body.String(), "was not kept") || b.count() != before {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	b.desk.broken = 0
	if w := b.do(form); w.Code != http.StatusSeeOther || b.count() != before+1 {
		t.Errorf("with room again: %d", w.Code)
	}
}

// TestPhotographsOfRefusedForms: what no line comes to name is not kept.
func TestPhotographsOfRefusedForms(t *testing.T) {
	type fields = map[string]string
	for name, c := range map[string]struct {
		field  string
		fields fields
		code   int
	}{
		"of another step":        {"p.final-photograph", fields{"kind": "recorded", "step": "final-register", "f.final-import": "04127.6", "f.old-number": "M-1"}, http.StatusConflict},
		"refused by the engine":  {"p.before", fields{"kind": "recorded", "step": "before-photograph"}, http.StatusSeeOther},
		"a photograph of what":   {"picture", fields{"kind": "photograph", "of": ""}, http.StatusUnprocessableEntity},
		"no such step":           {"p.final-photograph", fields{"kind": "recorded", "step": "none"}, http.StatusUnprocessableEntity},
		"an entry of no meaning": {"p.final-photograph", fields{"kind": "recorded", "step": "final-register", "f.final-import": "many"}, http.StatusUnprocessableEntity},
		"an old page":            {"p.before", fields{"kind": "recorded", "step": "before-photograph", "state": strings.Repeat("a", 64)}, http.StatusConflict},
	} {
		b := newBench(t)
		if c.code == http.StatusSeeOther {
			b.to("before-photograph")
			b.must(who, url.Values{"kind": {"went-away"}})
		}
		if c.fields["state"] == "" {
			c.fields["state"] = b.state()
		}
		if w := b.send(c.fields, c.field, "a.jpg", "image/jpeg", picture(t)); w.Code != c.code {
			t.Errorf("%s: answered %d", name, w.Code)
		}
		if n := len(b.desk.things); n != 0 {
			t.Errorf("%s: %d photographs are kept", name, n)
		}
	}
}

func TestUnknownPlaces(t *testing.T) {
	b := newBench(t)
	for path, want := range map[string]int{
		"/field/nobody/":                                          http.StatusNotFound,
		"/field/op-9/visits/none":                                 http.StatusNotFound,
		"/field/op-9/jobs/none":                                   http.StatusNotFound,
		"/field/op-9/visits/" + b.id + "/nothing":                 http.StatusNotFound,
		"/field/op-9/visits/" + b.id + "/check?item=%3Cscript%3E": http.StatusNotFound,
		"/field/op-9/visits/" + b.id + "/correct?event=x":         http.StatusNotFound,
		"/field/op-9/visits/" + b.id + "/refused/x":               http.StatusNotFound,
		"/field/op-9/visits/" + b.id + "/pictures/x":              http.StatusNotFound,
		"/field/op-9/visits/" + b.id + "/do":                      http.StatusSeeOther,
		"/field/nothing/x/y":                                      http.StatusNotFound,
	} {
		if w := b.get(path); w.Code != want || strings.Contains(w.Body.String(), "<script>") {
			t.Errorf("%s: %d, not %d", path, w.Code, want)
		}
	}
	// An opening form with an id that is none, and a second visit of a job that has one going on.
	if w := b.post("/field/op-9/jobs/J-1/open", url.Values{"visit": {"../x"}}); w.Code != http.StatusBadRequest {
		t.Errorf("an id that is none: %d", w.Code)
	}
	if w := b.post("/field/op-9/jobs/J-1/open", url.Values{"visit": {"019ab3f0-5c00-7a10-8b20-0123456789ac"}}); w.Code != http.StatusSeeOther || !strings.HasSuffix(w.Header().Get("Location"), b.id) || len(b.desk.order) != 1 {
		t.Errorf("a second visit of a job: %d %s", w.Code, w.Header().Get("Location"))
	}
	// Nobody is led elsewhere.
	if w := b.post("/field/look", url.Values{"back": {"//evil.example/"}}); w.Header().Get("Location") != "/field/" {
		t.Errorf("led to %s", w.Header().Get("Location"))
	}
}
