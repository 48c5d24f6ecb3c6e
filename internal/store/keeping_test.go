package store_test

import (
	"bytes"
	"cmp"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"meterwright/internal/store"
	"meterwright/internal/test/chains"
	"meterwright/record"
)

func (h harness) attachments(t *testing.T) {
	dir := t.TempDir()
	s := h.again(t, dir, options())
	ref, container := chains.Container(t, "A. Person, 4 Example Row (fictional)")
	for range 2 {
		if got, err := s.PutAttachment(t.Context(), container); err != nil || got != ref {
			t.Fatalf("%+v, %v", got, err)
		}
	}
	must(t, s.Close())
	s = h.at(t, dir, options())
	if got, err := s.Attachment(t.Context(), ref.ID); err != nil || !bytes.Equal(got, container) {
		t.Errorf("%q, %v", got, err)
	}
	other, _ := chains.Container(t, "another")
	if _, err := s.Attachment(t.Context(), other.ID); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an unknown one: %v", err)
	}
	for _, bad := range [][]byte{nil, []byte("nonsense"), container[:len(container)-1], append(slices.Clone(container), 'x')} {
		if _, err := s.PutAttachment(t.Context(), bad); !errors.Is(err, record.ErrAttachment) {
			t.Errorf("%.20q is taken: %v", bad, err)
		}
	}
	for _, bad := range [][2]string{{"", "why"}, {"who", ""}} {
		if err := s.EraseAttachment(t.Context(), ref.ID, bad[0], bad[1]); err == nil {
			t.Errorf("erased by %q because of %q", bad[0], bad[1])
		}
	}
	if err := s.EraseAttachment(t.Context(), "sha256:../../office.db", "who", "why"); err == nil {
		t.Error("an id that is none was erased")
	}
	for _, why := range []string{"asked for by the person", "a second time"} {
		must(t, s.EraseAttachment(t.Context(), ref.ID, "person-1", why))
	}
	if _, err := s.Attachment(t.Context(), ref.ID); !errors.Is(err, store.ErrErased) || !strings.Contains(err.Error(), "asked for by the person") {
		t.Errorf("after erasure: %v", err)
	}
	if _, err := s.PutAttachment(t.Context(), container); !errors.Is(err, store.ErrErased) {
		t.Errorf("put again after erasure: %v", err)
	}
	state, err := s.AttachmentState(t.Context(), ref.ID)
	if err != nil || state.By != "person-1" || state.Why != "asked for by the person" || !state.Erased.Equal(clock()) || state.Bytes != ref.Bytes {
		t.Errorf("tombstone %+v, %v", state, err)
	}
}

// someErased: erasing some of many leaves the others as they are.
func (h harness) someErased(t *testing.T) {
	s := h.fresh(t, options())
	var refs []record.Reference
	var containers [][]byte
	for i := range 40 { // several in one directory, with some luck
		ref, c := chains.Container(t, fmt.Sprint("content ", i))
		if _, err := s.PutAttachment(t.Context(), c); err != nil {
			t.Fatal(err)
		}
		refs, containers = append(refs, ref), append(containers, c)
	}
	for i, ref := range refs {
		if i%3 == 0 {
			must(t, s.EraseAttachment(t.Context(), ref.ID, "person-1", "test"))
		}
	}
	for i, ref := range refs {
		got, err := s.Attachment(t.Context(), ref.ID)
		if i%3 == 0 != errors.Is(err, store.ErrErased) || i%3 != 0 && !bytes.Equal(got, containers[i]) {
			t.Errorf("%d: %q, %v", i, got, err)
		}
	}
}

func (h harness) eraseBefore(t *testing.T) {
	s := h.fresh(t, options())
	ref, container := chains.Container(t, "late")
	must(t, s.EraseAttachment(t.Context(), ref.ID, "person-1", "withdrawn before it came"))
	if _, err := s.PutAttachment(t.Context(), container); !errors.Is(err, store.ErrErased) {
		t.Errorf("it is taken: %v", err)
	}
}

func (h harness) people(t *testing.T) {
	s := h.fresh(t, options())
	ctx := t.Context()
	for _, p := range [][2]string{{"person-2", "B. Fictional"}, {"person-1", "A. Fictional"}, {"person-1", "A. Fictional-Example"}} {
		must(t, s.PutPerson(ctx, p[0], p[1]))
	}
	if err := s.PutKey(ctx, chains.Key("one"), "person-9", "phone"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a key of nobody: %v", err)
	}
	for _, k := range []struct{ key, person, device string }{{"one", "person-1", "phone"}, {"two", "person-1", "tablet"}, {"three", "person-2", "phone"}, {"one", "person-1", "old phone"}} {
		must(t, s.PutKey(ctx, chains.Key(k.key), k.person, k.device))
	}
	if err := s.PutKey(ctx, chains.Key("one"), "person-2", "phone"); !errors.Is(err, store.ErrConflict) {
		t.Errorf("a key changes hands: %v", err)
	}
	if err := s.PutKey(ctx, record.Key{}, "person-2", "phone"); err == nil {
		t.Error("a key of small order is taken")
	}
	must(t, s.WithdrawKey(ctx, chains.Key("two")))
	if err := s.PutKey(ctx, chains.Key("two"), "person-1", "tablet"); !errors.Is(err, store.ErrConflict) {
		t.Errorf("a withdrawn key comes back: %v", err)
	}
	if err := s.WithdrawKey(ctx, chains.Key("nobody")); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an unknown key: %v", err)
	}
	must(t, s.WithdrawPerson(ctx, "person-2"))
	if err := s.PutKey(ctx, chains.Key("four"), "person-2", "phone"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a withdrawn person gets a key: %v", err)
	}
	people, err := s.People(ctx)
	if w := []store.Person{{ID: "person-1", Name: "A. Fictional-Example", Added: clock()}, {ID: "person-2", Name: "B. Fictional", Added: clock(), Withdrawn: clock()}}; err != nil || !slices.Equal(people, w) {
		t.Errorf("people %+v, %v", people, err)
	}
	one, err := s.Key(ctx, chains.Key("one"))
	if w := (store.DeviceKey{Key: chains.Key("one"), Person: "person-1", Device: "old phone", Added: clock()}); err != nil || one != w {
		t.Errorf("key %+v, %v", one, err)
	}
	if _, err := s.Key(ctx, chains.Key("nobody")); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an unknown key: %v", err)
	}
	keys, err := s.Keys(ctx)
	if err != nil || len(keys) != 3 {
		t.Fatalf("keys %+v, %v", keys, err)
	}
	for _, k := range keys {
		if k.Withdrawn.IsZero() != (k.Key == chains.Key("one")) {
			t.Errorf("key %+v", k)
		}
	}
}

func (h harness) jobs(t *testing.T) {
	s := h.fresh(t, options())
	ctx := t.Context()
	job := func(ref, body string) store.Job { return store.Job{Reference: ref, Body: jsontext.Value(body)} }
	steps := []struct {
		batch string
		jobs  []store.Job
		fates string
	}{
		{"monday", []store.Job{job("J-2", `{"reading":"04127.6","n":1.50}`), job("J-1", `{"a":"x","b":{"d":1,"c":2}}`)}, "new new"},
		{"again", []store.Job{job("J-2", `{"n": 1.50, "reading": "04127.6"}`), job("J-1", `{"b":{"c":2,"d":1},"a":"\u0078"}`)}, "same same"},
		{"tuesday", []store.Job{job("J-1", `{"a":"x","b":{"d":1,"c":2}}`), job("J-2", `{"reading":"04127.60","n":1.50}`), job("J-3", `{}`)}, "same changed new"},
		{"digits", []store.Job{job("J-2", `{"reading":"04127.60","n":1.5}`)}, "changed"},
		{"nothing", nil, ""},
	}
	for _, step := range steps {
		// What is planned is what is done.
		plan, err := s.PlanJobs(ctx, step.jobs)
		if got := fates(plan); err != nil || got != step.fates {
			t.Errorf("%s, planned: %s, %v, want %s", step.batch, got, err, step.fates)
		}
		done, err := s.ImportJobs(ctx, step.batch, step.jobs)
		if got := fates(done); err != nil || got != step.fates {
			t.Errorf("%s: %s, %v, want %s", step.batch, got, err, step.fates)
		}
	}
	for _, bad := range [][]store.Job{{job("J-8", `{}`), job("J-9", `[]`)}, {job("J-8", `{}`), job("", `{}`)}, {job("J-8", `{}`), job("J-8", `{"a":1}`)}, {job("J-8", `{"a":1,"a":2}`)}, {job("J-8", ``)}} {
		if _, err := s.ImportJobs(ctx, "bad", bad); err == nil || !strings.Contains(err.Error(), "row") {
			t.Errorf("%v is taken: %v", bad, err)
		}
		if _, err := s.PlanJobs(ctx, bad); err == nil || !strings.Contains(err.Error(), "row") {
			t.Errorf("%v is planned: %v", bad, err)
		}
	}
	got, err := s.Job(ctx, "J-2")
	if err != nil || string(got.Body) != `{"n":1.5,"reading":"04127.60"}` || got.Batch != "digits" || !got.Changed.Equal(clock()) {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := s.Job(ctx, "J-8"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a job of a bad import is there: %v", err)
	}
	// A visit of J-01 begins: the job stays as it is from then on.
	if _, err := s.ImportJobs(ctx, "wednesday", []store.Job{job("J-01", `{"a":1}`)}); err != nil {
		t.Fatal(err)
	}
	submit(t, s, chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().Lines...)
	if err := s.CatchUp(ctx); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		person, key, state string
		want               int
	}{{"person-7", "two", "open", 1}, {"another", "one", "open", 1}, {"another", "two", "open", 0}, {"person-7", "one", "ended", 0}} {
		if got, err := s.InHand(ctx, c.person, chains.Key(c.key), "nothing", c.state); err != nil || len(got) != c.want {
			t.Errorf("%+v: %q, %v", c, got, err)
		}
	}
	late := []store.Job{job("J-01", `{"a":2}`), job("J-1", `{}`)}
	plan, err := s.PlanJobs(ctx, late)
	if got := fates(plan); err != nil || got != "begun changed" || string(plan[0].Kept) != `{"a":1}` {
		t.Errorf("planned %s, %v", got, err)
	}
	done, err := s.ImportJobs(ctx, "late", late)
	if got := fates(done); err != nil || got != "begun changed" {
		t.Errorf("%s, %v", got, err)
	}
	if got, err := s.Job(ctx, "J-01"); err != nil || string(got.Body) != `{"a":1}` || got.Batch != "wednesday" {
		t.Errorf("a job under way was rewritten: %+v, %v", got, err)
	}
}

func fates(plan []store.JobPlan) string {
	var words []string
	for _, p := range plan {
		words = append(words, string(p.Fate))
	}
	return strings.Join(words, " ")
}

// jobFilters holds every filter and order against the same done to a list in memory.
func (h harness) jobFilters(t *testing.T) {
	s := h.fresh(t, options())
	ctx := t.Context()
	var all []store.Job
	for i := range 60 {
		all = append(all, store.Job{Reference: fmt.Sprintf("J-%02d", i), Body: jsontext.Value(`{}`), Day: []string{"", "2026-11-24", "2026-11-25"}[i%3], Hour: fmt.Sprintf("%02d:00", 8+i*7%10),
			Person: []string{"", "p-1", "p-2", "p-3"}[i%4], Address: fmt.Sprintf("%d Ärger_Gasse", i*37%60), Point: fmt.Sprintf("99 %04d", i*53%60), Words: "meter Z%" + fmt.Sprint(i%5)})
	}
	if _, err := s.ImportJobs(ctx, "all", all); err != nil {
		t.Fatal(err)
	}
	// Storetest visits are of J-01.
	submit(t, s, chains.NewDevice(t, chains.Visit(1), record.Real, "one").Open().Lines...)
	if err := s.CatchUp(ctx); err != nil {
		t.Fatal(err)
	}
	keys := map[store.JobOrder]func(j store.Job) string{store.ByReference: func(j store.Job) string { return "" }, store.ByAppointment: func(j store.Job) string { return j.Day + "\x00" + j.Hour },
		store.ByPerson: func(j store.Job) string { return j.Person }, store.ByAddress: func(j store.Job) string { return j.Address }, store.ByMeterPoint: func(j store.Job) string { return j.Point },
		store.ByChanged: func(j store.Job) string { return "" }}
	rapid.Check(t, func(rt *rapid.T) {
		f := store.JobFilter{Day: rapid.SampledFrom([]string{"", "", "2026-11-24", "2026-11-25", "2027-01-01"}).Draw(rt, "day"), Undated: rapid.Bool().Draw(rt, "undated"),
			People: rapid.SampledFrom([][]string{nil, {"p-1"}, {"p-1", ""}, {"p-2", "p-3"}}).Draw(rt, "people"), Others: rapid.Bool().Draw(rt, "others"),
			Words: rapid.SampledFrom([]string{"", "ÄRGER", "z%3", "_gasse", "%", "j-1", "nothing"}).Draw(rt, "words"), Named: rapid.SampledFrom([][]string{nil, {"p-3"}}).Draw(rt, "named"),
			By: store.JobOrder(rapid.IntRange(0, len(keys)-1).Draw(rt, "by")), Down: rapid.Bool().Draw(rt, "down"), Skip: rapid.IntRange(0, 20).Draw(rt, "skip"), Limit: rapid.IntRange(0, 20).Draw(rt, "limit")}
		if f.Day != "" {
			f.Undated = false
		}
		if b := rapid.IntRange(0, 2).Draw(rt, "begun"); b > 0 {
			f.Begun = new(b == 1)
		}
		var want []string
		list := slices.Clone(all)
		slices.SortFunc(list, func(a, b store.Job) int {
			c := cmp.Or(strings.Compare(keys[f.By](a), keys[f.By](b)), strings.Compare(a.Reference, b.Reference))
			if f.Down {
				return -c
			}
			return c
		})
		for _, j := range list {
			text := strings.ToLower(j.Reference + "\n" + j.Address + "\n" + j.Point + "\n" + j.Words)
			switch {
			case f.Day != "" && j.Day != f.Day, f.Undated && j.Day != "":
			case len(f.People) > 0 && slices.Contains(f.People, j.Person) == f.Others:
			case f.Begun != nil && (j.Reference == "J-01") != *f.Begun:
			case f.Words != "" && !strings.Contains(text, strings.ToLower(f.Words)) && !slices.Contains(f.Named, j.Person):
			default:
				want = append(want, j.Reference)
			}
		}
		if n, err := s.CountJobs(ctx, f); err != nil || n != len(want) {
			rt.Fatalf("%+v: counted %d, %v, want %d", f, n, err, len(want))
		}
		if f.Limit > 0 {
			want = want[min(f.Skip, len(want)):min(f.Skip+f.Limit, len(want))]
		}
		var got []string
		for j, err := range s.Jobs(ctx, f) {
			if err != nil {
				rt.Fatal(err)
			}
			got = append(got, j.Reference)
		}
		if !slices.Equal(got, want) {
			rt.Fatalf("%+v: got %q, want %q", f, got, want)
		}
	})
}
