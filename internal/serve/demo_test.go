package serve

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"image/png"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"meterwright/internal/store"
	"meterwright/record"
)

// open starts a server over a fresh folder with the demonstration.
func open(t *testing.T, dir string) *Server {
	t.Helper()
	s, err := Open(context.Background(), Config{Data: dir, Demo: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func get(t *testing.T, s *Server, path string) (int, string) {
	t.Helper()
	r := httptest.NewRequest("GET", "http://127.0.0.1"+path, nil)
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func TestDemoDay(t *testing.T) {
	s := open(t, t.TempDir())
	if code, body := get(t, s, "/"); code != http.StatusOK || !strings.Contains(body, "authorises nobody") {
		t.Fatalf("first page: %d", code)
	}
	for at, want := range map[string][]string{
		"/field/op-114/": {"7 Lantern Row", "not begun", "Voltage on metalwork", "not yet"},
		"/field/op-231/": {"away from the service position"},
	} {
		code, body := get(t, s, at)
		if code != http.StatusOK {
			t.Fatalf("%s: %d %s", at, code, body)
		}
		for _, w := range want {
			if !strings.Contains(strings.ToLower(body), strings.ToLower(w)) {
				t.Errorf("%s does not say %q", at, w)
			}
		}
	}
}

// travel is the least time from one service position of the demonstration to the next.
const travel = 10 * time.Minute

// demoRecords reads every visit of the demonstration as its lines stand in the store.
func demoRecords(t *testing.T, s *Server) map[string][]record.Event {
	t.Helper()
	all := map[string][]record.Event{}
	for _, d := range demoJobs(t) {
		page, err := s.store.Visits(t.Context(), store.Filter{Job: d.Ref})
		if err != nil {
			t.Fatal(err)
		}
		if len(page.Visits) != 0 != (d.Begun > 0) {
			t.Errorf("%s: %d visits", d.Ref, len(page.Visits))
		}
		for _, v := range page.Visits {
			for line, err := range s.store.Lines(t.Context(), v.Visit) {
				if err != nil {
					t.Fatal(err)
				}
				e, err := record.Decode(line.Bytes)
				if err != nil {
					t.Fatal(err)
				}
				all[d.Ref] = append(all[d.Ref], e)
			}
		}
	}
	return all
}

// TestDemoPeople: nobody is at two visits at once, and there is time to travel between them. A
// visit that has not ended keeps whoever entered its last line until now.
func TestDemoPeople(t *testing.T) {
	s := open(t, t.TempDir())
	type stay struct {
		ref      string
		from, to time.Time
	}
	stays := map[string][]stay{}
	for ref, events := range demoRecords(t, s) {
		at := map[string]stay{}
		for _, e := range events {
			x := at[e.Person]
			if x.from.IsZero() {
				x = stay{ref: ref, from: e.Wall}
			}
			x.to = e.Wall
			at[e.Person] = x
		}
		last := events[len(events)-1]
		if last.Kind != "ended" {
			x := at[last.Person]
			x.to = time.Now()
			at[last.Person] = x
		}
		if last.Wall.After(time.Now()) {
			t.Errorf("%s ends at %s, which is to come", ref, last.Wall)
		}
		for person, x := range at {
			stays[person] = append(stays[person], x)
		}
	}
	if len(stays) < 8 {
		t.Errorf("%d people", len(stays))
	}
	for person, list := range stays {
		slices.SortFunc(list, func(a, b stay) int { return a.from.Compare(b.from) })
		for i := range list[1:] {
			if a, b := list[i], list[i+1]; b.from.Before(a.to.Add(travel)) {
				t.Errorf("%s is at %s until %s and at %s from %s", person, a.ref, a.to.Format("15:04"), b.ref, b.from.Format("15:04"))
			}
		}
	}
}

// TestDrawn: each picture says that it is a drawing and is none of one grey, and others show other things.
func TestDrawn(t *testing.T) {
	said := map[string]string{"old-number": "M-1", "new-number": "N-2", "final-import": "04330", "opening-import": "00000", "torque": "2.5", "cutout-seal": "S-3", "new-cutout-seal": "S-4"}
	seen := map[string]string{}
	for _, field := range []string{"before", "final-photograph", "terminals-photograph", "opening-photograph", "after-photograph"} {
		b, err := drawn(field, said)
		if err != nil {
			t.Fatal(err)
		}
		if other, ok := seen[string(b)]; ok {
			t.Errorf("%s and %s are the same picture", field, other)
		}
		seen[string(b)] = field
		img, err := png.Decode(bytes.NewReader(b))
		if err != nil || img.Bounds().Dx() < 320 {
			t.Errorf("%s: %v, %v", field, img.Bounds(), err)
		}
		if *pictures != "" {
			if err := os.WriteFile(filepath.Join(*pictures, field+".png"), b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	if _, err := drawn("nothing", said); err == nil {
		t.Error("a picture of nothing")
	}
}

var pictures = flag.String("pictures", "", "a folder in which the drawn photographs are kept, to be looked at")

// many imports jobs that come before those of the demonstration in every order.
func many(t *testing.T, s *Server, n int, kind string, of func(*store.Job)) {
	t.Helper()
	var rows []store.Job
	for i := range n {
		j := store.Job{Reference: fmt.Sprintf("A-%s-%05d", kind, i), Hour: "00:00", Address: fmt.Sprintf("%d %s Row", i, kind)}
		of(&j)
		j.Body = fmt.Appendf(nil, `{"job":%q,"address":%q,"appointment":%q,"person":%q}`, j.Reference, j.Address, strings.TrimSpace(j.Day+" "+j.Hour), j.Person)
		rows = append(rows, j)
	}
	if _, err := s.store.ImportJobs(t.Context(), "test", rows); err != nil {
		t.Fatal(err)
	}
}

// inOrder fails unless the words stand in the page one after the other.
func inOrder(t *testing.T, body string, words ...string) {
	t.Helper()
	rest := body
	for _, w := range words {
		_, after, ok := strings.Cut(rest, w)
		if !ok {
			t.Fatalf("%q is missing, or stands before one of %q", w, words)
		}
		rest = after
	}
}

// TestOwnVisitsComeFirst: an import of thousands of jobs, before all others in every order, hides
// no visit that is under way, on no day.
func TestOwnVisitsComeFirst(t *testing.T) {
	dir := t.TempDir()
	first, err := Open(t.Context(), Config{Data: dir, Demo: true})
	if err != nil {
		t.Fatal(err)
	}
	// What began in this run of the program is known without summaries; others' is not listed.
	_, body := get(t, first, "/field/op-262/")
	inOrder(t, body, "Under way in your hands", "37 Fuller Street", "Appointments")
	if own, _, _ := strings.Cut(body, "Appointments"); strings.Contains(own, "Chandler") {
		t.Error("a visit in the hands of somebody else stands among one's own")
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	s := open(t, dir)
	if err := s.store.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	today := time.Now()
	many(t, s, 10_000, "Dated", func(j *store.Job) { j.Day, j.Person = today.Format(time.DateOnly), "op-262" })
	many(t, s, 150, "Undated", func(*store.Job) {})
	many(t, s, 150, "Foreign", func(j *store.Job) { j.Day, j.Person = today.Format(time.DateOnly), "op-318" })
	for _, day := range []string{"", "?day=" + today.AddDate(0, 0, 1).Format(time.DateOnly), "?day=" + today.AddDate(0, 0, -400).Format(time.DateOnly), "?list=day&from=9900"} {
		code, body := get(t, s, "/field/op-262/"+day)
		if code != http.StatusOK {
			t.Fatalf("%s: %d", day, code)
		}
		// It was handed over to op-262 by somebody else in the demonstration.
		inOrder(t, body, "Under way in your hands", "37 Fuller Street", "Without a date", "0 Undated Row", "list=undated&amp;from=100", "150 in all")
	}
	_, body = get(t, s, "/field/op-262/")
	inOrder(t, body, "Under way", "Appointments", "0 Dated Row", "99 Dated Row", "There are 10001 in all", "Without a date", "Jobs of others", "0 Foreign Row")
	if strings.Contains(body, "100 Dated Row") {
		t.Error("a list has no end")
	}
	_, body = get(t, s, "/field/op-262/?day="+today.Format(time.DateOnly)+"&list=day&from=100")
	inOrder(t, body, "Appointments", "100 Dated Row", "199 Dated Row", "from=200")
	_, body = get(t, s, "/field/op-262/?day="+today.AddDate(0, 0, -1).Format(time.DateOnly))
	inOrder(t, body, "No job is yours on this day", "Without a date")
	if strings.Contains(body, " Dated Row") {
		t.Error("another day shows the jobs of today")
	}
	for _, bad := range []string{"?day=yesterday", "?from=-1", "?from=x"} {
		if code, _ := get(t, s, "/field/op-262/"+bad); code != http.StatusUnprocessableEntity && code != http.StatusBadRequest {
			t.Errorf("%s: %d", bad, code)
		}
	}
}

// TestDayInTheHand: the day, the days beside it and the lists, in a real browser of 360 px.
func TestDayInTheHand(t *testing.T) {
	t.Parallel()
	s := open(t, t.TempDir())
	many(t, s, 3, "Undated", func(j *store.Job) { j.Hour = "in the morning" })
	many(t, s, 2, "Tomorrow", func(j *store.Job) { j.Day, j.Person = time.Now().AddDate(0, 0, 1).Format(time.DateOnly), "op-114" })
	p := newPhone(t, s)
	p.open("/field/op-114/")
	p.says("Under way in your hands", "Appointments", "Without a date", "Jobs of others")
	p.look("day-with-visits")
	p.tap("Day after")
	p.says("Under way in your hands", "0 Tomorrow Row", "1 Tomorrow Row")
	p.look("day-after")
	p.tap("Today")
	p.tap("Day before")
	p.says("No job is yours on this day")
	p.look("day-before")
}

// demoJobs are the jobs of the demonstration.
func demoJobs(t *testing.T) []demoJob {
	t.Helper()
	d, err := demoDay()
	if err != nil {
		t.Fatal(err)
	}
	return d.Jobs
}
