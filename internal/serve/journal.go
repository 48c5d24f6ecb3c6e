package serve

import (
	"context"
	"encoding/json/v2"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"meterwright/internal/field"
	"meterwright/internal/jobs"
	"meterwright/internal/store"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/rules"
)

// journal is the store as the field sees it.
type journal struct {
	store *store.Store
	shelf *written.Ruled

	mu sync.Mutex
	// begun holds visits whose summaries may not have been made yet, by job.
	begun map[string][]string
	// counts says how many lines a visit had when the store had that many in all.
	counts map[string]count
}

type count struct {
	all   int64
	lines int
}

func newJournal(s *store.Store, pack *rules.Pack) (*journal, error) {
	shelf, err := written.Under(pack)
	return &journal{store: s, shelf: shelf, begun: map[string][]string{}, counts: map[string]count{}}, err
}

func (j *journal) Jobs(ctx context.Context, w field.Wanted) (list []jobs.Job, all int, err error) {
	f := store.JobFilter{Day: w.Day, Undated: w.Day == "", People: []string{w.Person, ""}, Others: w.Others, By: store.ByAppointment, Skip: w.From, Limit: w.Most}
	if f.Undated {
		f.Begun = new(bool)
	}
	if all, err = j.store.CountJobs(ctx, f); err != nil {
		return nil, 0, err
	}
	for r, err := range j.store.Jobs(ctx, f) {
		if err != nil {
			return nil, 0, err
		}
		job, err := read(r)
		if err != nil {
			// A job that cannot be read does not hide the others.
			job = &jobs.Job{Reference: r.Reference, Address: err.Error(), Appointment: strings.TrimSpace(r.Day + " " + r.Hour), Person: r.Person}
		}
		list = append(list, *job)
	}
	return list, all, nil
}

func (j *journal) Running(ctx context.Context, person string, key record.Key) ([]string, error) {
	list, err := j.store.InHand(ctx, person, key, string(replay.UnderWay), string(replay.Stopped), string(replay.HeldByTwo), store.UnreadableState)
	if err != nil {
		return nil, err
	}
	j.mu.Lock()
	for _, visits := range j.begun {
		list = append(list, visits...)
	}
	j.mu.Unlock()
	slices.Sort(list)
	return slices.Compact(list), nil
}

func (j *journal) Job(ctx context.Context, reference string) (*jobs.Job, error) {
	row, err := j.store.Job(ctx, reference)
	if errors.Is(err, store.ErrNotFound) {
		return nil, fmt.Errorf("%w: %w", err, field.ErrNotFound)
	}
	if err != nil {
		return nil, err
	}
	return read(row)
}

func read(row store.Job) (*jobs.Job, error) {
	var j jobs.Job
	if err := json.Unmarshal(row.Body, &j); err != nil {
		return nil, fmt.Errorf("%w: job %s: %w", field.ErrUnusable, row.Reference, err)
	}
	return &j, nil
}

func (j *journal) Method(_ context.Context, job *jobs.Job) (*method.Resolved, error) {
	r, err := j.shelf.For(job.Method, job.Overlays, job.ForMethod())
	if err != nil {
		return nil, fmt.Errorf("%w: job %s: %w", field.ErrUnusable, job.Reference, err)
	}
	return r, nil
}

// Visits lists the visits of a job. Their ids begin with the time.
func (j *journal) Visits(ctx context.Context, job string) ([]string, error) {
	page, err := j.store.Visits(ctx, store.Filter{Job: job})
	if err != nil {
		return nil, err
	}
	var list []string
	for _, v := range page.Visits {
		list = append(list, v.Visit)
	}
	j.mu.Lock()
	// What has a summary now need not be remembered.
	fresh := slices.DeleteFunc(j.begun[job], func(v string) bool { return slices.Contains(list, v) })
	if j.begun[job] = fresh; len(fresh) == 0 {
		delete(j.begun, job)
	}
	list = append(list, fresh...)
	j.mu.Unlock()
	slices.Sort(list)
	return slices.Compact(list), nil
}

func (j *journal) Lines(ctx context.Context, visit string, n int) ([][]byte, error) {
	all, err := j.store.LastNumber(ctx)
	if err != nil {
		return nil, err
	}
	j.mu.Lock()
	c, ok := j.counts[visit]
	j.mu.Unlock()
	if ok && c.all == all && c.lines == n {
		return nil, nil
	}
	var lines []store.Line
	for l, err := range j.store.Lines(ctx, visit) {
		if err != nil {
			return nil, err
		}
		lines = append(lines, l)
	}
	// A line is accepted after those that it follows or takes over from.
	slices.SortFunc(lines, func(a, b store.Line) int { return int(a.Number - b.Number) })
	j.mu.Lock()
	j.counts[visit] = count{all, len(lines)}
	j.mu.Unlock()
	if n > len(lines) {
		return nil, fmt.Errorf("visit %s has %d lines, and had %d before: %w", visit, len(lines), n, store.ErrDamaged)
	}
	var out [][]byte
	for _, l := range lines[n:] {
		out = append(out, l.Bytes)
	}
	return out, nil
}

func (j *journal) Append(ctx context.Context, visit, job string, lines []record.Signed) error {
	receipts, err := j.store.Keep(ctx, lines)
	if err != nil {
		return asField(err)
	}
	return j.accepted(visit, job, receipts)
}

// submit is Append for lines that were not made here: the store looks at each.
func (j *journal) submit(ctx context.Context, visit, job string, lines [][]byte) error {
	receipts, err := j.store.Submit(ctx, lines)
	if err != nil {
		return asField(err)
	}
	return j.accepted(visit, job, receipts)
}

// accepted notes what the store accepted. The error says what it did not, and that a line was one of
// another version of its chain.
func (j *journal) accepted(visit, job string, receipts []store.Receipt) error {
	j.mu.Lock()
	// Where nothing else was accepted meanwhile, what is known of the visit stays known.
	if n := int64(len(receipts)); n > 0 {
		if c, ok := j.counts[visit]; ok && c.all+n == receipts[n-1].Number {
			j.counts[visit] = count{c.all + n, c.lines + int(n)}
		}
	}
	j.mu.Unlock()
	for i, r := range receipts {
		if r.Status != store.Accepted || r.Version != 0 {
			return errors.Join(fmt.Errorf("line %d of visit %s was not accepted: %s %s", r.Seq, visit, r.Status, r.Reason), r.Err)
		}
		if i == 0 && r.Seq == 0 {
			j.mu.Lock()
			if !slices.Contains(j.begun[job], visit) {
				j.begun[job] = append(j.begun[job], visit)
			}
			j.mu.Unlock()
		}
	}
	return nil
}

func (j *journal) PutAttachment(ctx context.Context, container []byte) error {
	_, err := j.store.PutAttachment(ctx, container)
	return asField(err)
}

// asField gives an error of the store the word that the field branches on.
func asField(err error) error {
	switch {
	case errors.Is(err, store.ErrFull):
		return fmt.Errorf("%w: %w", field.ErrFull, err)
	case errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrErased):
		return fmt.Errorf("%w: %w", err, field.ErrNotFound)
	}
	return err
}

func (j *journal) Attachment(ctx context.Context, id record.AttachmentID) ([]byte, error) {
	b, err := j.store.Attachment(ctx, id)
	return b, asField(err)
}
