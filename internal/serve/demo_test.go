package serve

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"meterwright/internal/store"
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
	s.Handler().ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func TestDemoDay(t *testing.T) {
	s := open(t, t.TempDir())
	if code, body := get(t, s, "/"); code != http.StatusOK || !strings.Contains(body, "authorises nobody") {
		t.Fatalf("first page: %d", code)
	}
	code, body := get(t, s, "/field/op-114/")
	if code != http.StatusOK {
		t.Fatalf("day: %d %s", code, body)
	}
	for _, want := range []string{"7 Lantern Row", "not begun", "away from the service position", "Voltage on metalwork", "not yet"} {
		if !strings.Contains(strings.ToLower(body), strings.ToLower(want)) {
			t.Errorf("the day does not say %q", want)
		}
	}
}

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
	s := open(t, t.TempDir())
	today := time.Now()
	many(t, s, 10_000, "Dated", func(j *store.Job) { j.Day, j.Person = today.Format(time.DateOnly), "op-114" })
	many(t, s, 150, "Undated", func(*store.Job) {})
	many(t, s, 150, "Foreign", func(j *store.Job) { j.Day, j.Person = today.Format(time.DateOnly), "op-318" })
	for _, day := range []string{"", "?day=" + today.AddDate(0, 0, 1).Format(time.DateOnly), "?day=" + today.AddDate(0, 0, -400).Format(time.DateOnly), "?list=day&from=9900"} {
		code, body := get(t, s, "/field/op-114/"+day)
		if code != http.StatusOK {
			t.Fatalf("%s: %d", day, code)
		}
		// Both are in the hands of op-114 in the demonstration, one handed over by somebody else.
		inOrder(t, body, "Under way in your hands", "37 Fuller Street", "9 Ropewalk Yard", "Without a date", "0 Undated Row", "list=undated&amp;from=100", "150 in all")
	}
	_, body := get(t, s, "/field/op-114/")
	inOrder(t, body, "Under way", "Appointments", "0 Dated Row", "99 Dated Row", "There are 10005 in all", "Without a date", "Jobs of others", "0 Foreign Row")
	if strings.Contains(body, "100 Dated Row") {
		t.Error("a list has no end")
	}
	_, body = get(t, s, "/field/op-114/?day="+today.Format(time.DateOnly)+"&list=day&from=100")
	inOrder(t, body, "Appointments", "100 Dated Row", "199 Dated Row", "from=200")
	_, body = get(t, s, "/field/op-114/?day="+today.AddDate(0, 0, -1).Format(time.DateOnly))
	inOrder(t, body, "No job is yours on this day", "Without a date")
	if strings.Contains(body, " Dated Row") {
		t.Error("another day shows the jobs of today")
	}
	for _, bad := range []string{"?day=yesterday", "?from=-1", "?from=x"} {
		if code, _ := get(t, s, "/field/op-114/"+bad); code != http.StatusUnprocessableEntity && code != http.StatusBadRequest {
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
