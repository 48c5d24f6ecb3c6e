package field_test

import (
	"html"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/visit"
)

// declared is what can be declared of the shipped method, with people first and what leads onto a way back last [P]. The
// test below holds it to the method.
var declared = []string{"burning", "somebody-hurt", "carrier-loose", "leads-failed", "broken-off", "meter-back", "leave-as-found"}

// phased is the lines of a visit at the beginning of each phase, made by forms.
func phased(t *testing.T) map[string][][]byte {
	b := newBench(t)
	at := map[string][][]byte{}
	for {
		v, head := b.fold()
		n := v.Next()
		if n.Step == "" {
			return at
		}
		if at[n.Phase] == nil {
			at[n.Phase] = slices.Clone(b.desk.lines[b.id])
		}
		b.clock.pass(time.Second)
		form := expected(v)
		form.Set("state", head)
		if w := b.do(form); w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), "refused") {
			t.Fatalf("%s: %d %s", n.Step, w.Code, w.Header().Get("Location"))
		}
	}
}

// forms are what the forms of a page say, one after another.
func forms(page string) []url.Values {
	var list []url.Values
	for _, f := range strings.Split(page, "<form ")[1:] {
		f, _, _ = strings.Cut(f, "</form>")
		form := url.Values{}
		for _, in := range strings.Split(f, `<input type="hidden" `)[1:] {
			var name, value string
			in, _, _ = strings.Cut(in, ">")
			for _, part := range strings.Split(in, `" `) {
				key, is, _ := strings.Cut(part, `="`)
				is = html.UnescapeString(strings.TrimSuffix(is, `"`))
				switch key {
				case "name":
					name = is
				case "value":
					value = is
				}
			}
			form.Set(name, value)
		}
		list = append(list, form)
	}
	return list
}

// named are the stops that a page offers to declare by one press, in the order in which they stand.
func named(list []url.Values) []string {
	var ids []string
	for _, f := range list {
		if f.Get("kind") == string(visit.KindStopped) && f.Get("stop") != "" {
			ids = append(ids, f.Get("stop"))
		}
	}
	return ids
}

// TestEveryDeclaredStopIsOnePress: in every phase, the page behind Stop offers each stop that the method has for a person to
// declare, people first and the ways back apart, and one press with nothing typed puts it in force.
func TestEveryDeclaredStopIsOnePress(t *testing.T) {
	lines := phased(t)
	r, err := shipped()
	if err != nil {
		t.Fatal(err)
	}
	var have []string
	for _, s := range r.Stops {
		if s.Declared {
			have = append(have, s.ID)
		}
	}
	if slices.Sort(have); !slices.Equal(have, slices.Sorted(slices.Values(declared))) {
		t.Fatalf("the method has %v to be declared", have)
	}
	if len(lines) != len(r.Phases) {
		t.Fatalf("the visit went through %d of %d phases", len(lines), len(r.Phases))
	}
	for phase, before := range lines {
		b := newBench(t)
		b.desk.lines[b.id] = slices.Clone(before)
		if w := b.do(url.Values{"kind": {"stopped"}, "state": {b.state()}}); w.Code != http.StatusSeeOther {
			t.Fatalf("%s: Stop was answered with %d", phase, w.Code)
		}
		if v, _ := b.fold(); v.Stop() != visit.Declared {
			t.Fatalf("%s: after Stop %q is in force", phase, v.Stop())
		}
		page := b.page("")
		offered := forms(page)
		if ids := named(offered); !slices.Equal(ids, declared) {
			t.Errorf("%s: the page offers %v", phase, ids)
		}
		// A heading of their own stands before the ways back, and after what alarms.
		back := strings.Index(page, english().Say("field.declare.back"))
		if back < strings.Index(page, `value="leads-failed"`) || back > strings.Index(page, `value="meter-back"`) {
			t.Errorf("%s: the ways back do not stand apart", phase)
		}
		stopped := slices.Clone(b.desk.lines[b.id])
		for _, f := range offered {
			id := f.Get("stop")
			if id == "" {
				continue
			}
			b := newBench(t)
			b.desk.lines[b.id] = slices.Clone(stopped)
			if w := b.do(f); w.Code != http.StatusSeeOther || strings.Contains(w.Header().Get("Location"), "refused") {
				t.Fatalf("%s, %s: %d %s", phase, id, w.Code, w.Header().Get("Location"))
			}
			v, _ := b.fold()
			if v.Stop() != id {
				t.Errorf("%s: %s was declared, and %q is in force", phase, id, v.Stop())
			}
			if page := b.page(""); slices.Contains(named(forms(page)), id) {
				t.Errorf("%s: %s is offered once more", phase, id)
			} else if !strings.Contains(html.UnescapeString(page), r.Stop(id).Do[0]) {
				t.Errorf("%s: the page does not say what to do: %s", phase, r.Stop(id).Do[0])
			}
		}
	}
}

// TestAStopOffersNothingThatIsDone: with the main switch off, the cover off and the contact bare, a stop offers the cover and the
// shroud; with these on, nothing.
func TestAStopOffersNothingThatIsDone(t *testing.T) {
	b := newBench(t)
	b.to("shroud-contact")
	b.must(who, url.Values{"kind": {"stopped"}, "stop": {"somebody-hurt"}})
	offers := func(want ...string) {
		t.Helper()
		var got []string
		for _, f := range forms(b.page("")) {
			if f.Get("kind") == string(visit.KindActed) {
				got = append(got, f.Get("act"))
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("offered are %v, and should be %v", got, want)
		}
	}
	offers("put-cover-on", "shroud-contact")
	b.must(who, url.Values{"kind": {"acted"}, "act": {"shroud-contact"}})
	offers("put-cover-on")
	b.must(who, url.Values{"kind": {"acted"}, "act": {"put-cover-on"}})
	offers()
}
