package intake

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/test/invented"
	"meterwright/rules"
)

const header = "job,address,meter_point,meter,arrangement,method,phases,overlays,registers,appointment,person\n"

// good is a row that is taken.
func good(ref string) string {
	return ref + ",1 Mill Cut,9900000089193,Q-1,TN-S,gb-single-phase-exchange,1,every-pair,final-import 5 2026-05-24=04127,2026-11-24 09:00,nq-104\n"
}

func open(t *testing.T) (*Intake, *store.Store) {
	t.Helper()
	in, err := For(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	s, err := sqlite.Open(t.Context(), t.TempDir(), store.Options{Projector: &summary.Projector{}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	for _, id := range []string{"nq-104", "nq-117"} {
		if err := s.PutPerson(t.Context(), id, "N. N."); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.WithdrawPerson(t.Context(), "nq-117"); err != nil {
		t.Fatal(err)
	}
	return in, s
}

// TestEveryRowIsChecked: one thing is wrong with each row, and each is named with its column and
// how to mend it; the good rows between them are taken.
func TestEveryRowIsChecked(t *testing.T) {
	in, s := open(t)
	file := header + good("NM-0")
	var want []string
	for i, c := range []struct{ old, now, column string }{
		{"gb-single-phase-exchange", "", "method"},
		{"gb-single-phase-exchange", "gb-exchange", "method"},
		{"exchange,1,", "exchange,3,", "method"},
		{"every-pair", "no-such", "overlays"},
		{"final-import", "final-rate-1", "registers"},
		{"final-import", "old-number", "registers"},
		{"final-import 5", "final-import 3", "registers"},
		{"2026-05-24", "2026-05-34", "registers"},
		{"2026-05-24", "2026-11-25", "registers"},
		{"2026-11-24", "24.11.2026", "appointment"},
		{"nq-104", "nq-999", "person"},
		{"nq-104", "nq-117", "person"},
		{"9900000089193", "9900000089194", "meter_point"},
		{"TN-S", "TN-X", "arrangement"},
	} {
		ref := fmt.Sprintf("NM-%d", i+1)
		file += strings.Replace(good(ref), c.old, c.now, 1)
		want = append(want, fmt.Sprintf("%d %s refused %s", i+3, ref, c.column))
	}
	file += good("NM-99")
	r, err := in.Preview(t.Context(), s, []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, row := range r.Rows {
		if row.Fate == Refused {
			got = append(got, fmt.Sprintf("%d %s %s %s", row.Line, row.Job, row.Fate, row.Column))
			if row.Problem == "" {
				t.Errorf("%+v names no reason", row)
			}
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	if r.Count(New) != 2 || r.Kept {
		t.Errorf("%d new, kept %v", r.Count(New), r.Kept)
	}
	// The same rows without a store: people cannot be looked up, all else is checked.
	alone, err := in.Preview(t.Context(), nil, []byte(file))
	if err != nil || alone.Count(Refused) != len(want)-2 || alone.Count(Good) != 4 {
		t.Errorf("without a store: %d refused, %v", alone.Count(Refused), err)
	}
}

// TestVisitUnderWay: a job whose visit has begun or ended stays as it is, and that is said; the
// summaries are brought up to date for it.
func TestVisitUnderWay(t *testing.T) {
	in, s := open(t)
	for _, v := range []struct{ name, ref string }{{"off", "NM-1"}, {"whole", "NM-2"}} {
		if r, err := in.Take(t.Context(), s, "a.csv", []byte(header+good(v.ref)), ""); err != nil || r.Count(New) != 1 {
			t.Fatal(r, err)
		}
		made, err := invented.Make(v.name, invented.Somewhere(v.ref, "1 Mill Cut", "nq-104"))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Submit(t.Context(), made.Lines); err != nil {
			t.Fatal(err)
		}
		changed := []byte(header + strings.Replace(good(v.ref), "Q-1", "Q-2", 1) + good(v.ref+"-b"))
		before, err := s.Job(t.Context(), v.ref)
		if err != nil {
			t.Fatal(err)
		}
		plan, err := in.Preview(t.Context(), s, changed)
		if err != nil || plan.Rows[0].Fate != Begun || !slices.Equal(plan.Rows[0].Differs, []string{"meter"}) {
			t.Fatalf("%+v, %v", plan, err)
		}
		done, err := in.Take(t.Context(), s, "b.csv", changed, plan.Hash)
		if err != nil || done.Rows[0].Fate != Begun || done.Rows[1].Fate != New {
			t.Errorf("%+v, %v", done, err)
		}
		after, err := s.Job(t.Context(), v.ref)
		if err != nil || string(after.Body) != string(before.Body) || after.Batch != before.Batch {
			t.Errorf("%s was rewritten: %s, %v", v.ref, after.Body, err)
		}
	}
	if _, err := in.Take(t.Context(), s, "b.csv", []byte(header+good("NM-3")), strings.Repeat("0", 64)); !errors.Is(err, ErrOtherBytes) {
		t.Errorf("other bytes: %v", err)
	}
}

// TestTenThousandRows: what stays of ten thousand rows is what the pages need of them.
func TestTenThousandRows(t *testing.T) {
	in, s := open(t)
	var b strings.Builder
	b.WriteString(header)
	const n = 10_000
	for i := range n {
		b.WriteString(good(fmt.Sprintf("NM-%05d", i)))
	}
	file := []byte(b.String())
	b.Reset()
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	r, err := in.Take(context.Background(), s, "many.csv", file, "")
	if err != nil || r.Count(New) != n {
		t.Fatal(err)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	const most = 16 << 20
	if kept := int64(after.HeapAlloc) - int64(before.HeapAlloc); kept > most {
		t.Errorf("%d bytes stay, and there are %d in the file", kept, len(file))
	}
	if os.Getenv("MW_SOAK") == "1" {
		t.Logf("%d bytes were allocated", after.TotalAlloc-before.TotalAlloc)
	}
	runtime.KeepAlive(r)
	if len(file) > jobfile.MaxCSV {
		t.Error("the bound of a file is under ten thousand rows")
	}
}
