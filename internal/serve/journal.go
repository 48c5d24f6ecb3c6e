package serve

import (
	"context"
	"encoding/json/v2"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"meterwright/internal/field"
	"meterwright/internal/jobs"
	"meterwright/internal/store"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/method"
	"meterwright/method/written"
	"meterwright/record"
	"meterwright/rules"
)

// journal is the store as the field sees it.
type journal struct {
	store *store.Store
	shelf *written.Shelf
	rules method.Rules

	mu sync.Mutex
	// begun holds visits whose summaries may not have been made yet, by job.
	begun map[string][]string
	// jobs holds the jobs as they were read last, with what they were read from.
	jobs map[string]readJob
	// counts says how many lines a visit had when the store had that many in all.
	counts map[string]count
}

type readJob struct {
	body string
	job  field.Job
}

type count struct {
	all   int64
	lines int
}

func newJournal(s *store.Store, pack *rules.Pack) (*journal, error) {
	shelf, err := written.Library()
	if err != nil {
		return nil, err
	}
	limits, err := method.Limits(pack)
	if err != nil {
		return nil, err
	}
	return &journal{store: s, shelf: shelf, rules: limits, begun: map[string][]string{}, jobs: map[string]readJob{}, counts: map[string]count{}}, nil
}

// maxDay bounds the jobs that one page lists.
const maxDay = 200

func (j *journal) Jobs(ctx context.Context) ([]field.Job, error) {
	rows, err := j.store.Jobs(ctx, "", maxDay)
	if err != nil {
		return nil, err
	}
	var list []field.Job
	for _, r := range rows {
		job, err := j.read(r)
		if err != nil {
			// A job that cannot be carried out here does not hide the others.
			job = field.Job{Reference: r.Reference, Address: "Job " + r.Reference + ": " + err.Error()}
		}
		list = append(list, job)
	}
	slices.SortStableFunc(list, func(a, b field.Job) int {
		switch {
		case a.Appointment < b.Appointment:
			return -1
		case a.Appointment > b.Appointment:
			return 1
		}
		return 0
	})
	return list, nil
}

func (j *journal) Job(ctx context.Context, reference string) (field.Job, error) {
	row, err := j.store.Job(ctx, reference)
	if errors.Is(err, store.ErrNotFound) {
		return field.Job{}, fmt.Errorf("%w: %w", err, field.ErrNotFound)
	}
	if err != nil {
		return field.Job{}, err
	}
	return j.read(row)
}

// read turns a job of the store into one of the field: with the method resolved.
func (j *journal) read(row store.Job) (field.Job, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if r, ok := j.jobs[row.Reference]; ok && r.body == string(row.Body) {
		return r.job, nil
	}
	var in jobs.Job
	if err := json.Unmarshal(row.Body, &in); err != nil {
		return field.Job{}, fmt.Errorf("%w: job %s: %w", field.ErrUnusable, row.Reference, err)
	}
	resolved, err := j.resolve(&in)
	if err != nil {
		return field.Job{}, fmt.Errorf("%w: job %s: %w", field.ErrUnusable, row.Reference, err)
	}
	whole, err := resolved.Encode()
	if err != nil {
		return field.Job{}, fmt.Errorf("%w: job %s: %w", field.ErrUnusable, row.Reference, err)
	}
	out := field.Job{Reference: row.Reference, Fictional: in.Fictional, Employer: in.Employer, Address: in.Address, MeterPoint: in.MeterPoint,
		Meter: in.Meter, Appointment: in.Appointment, Person: in.Person, Hazards: in.Hazards, Dependants: in.Dependants, Method: whole}
	for _, r := range in.Registers {
		reg, err := register(r)
		if err != nil {
			return field.Job{}, fmt.Errorf("%w: job %s: %w", field.ErrUnusable, row.Reference, err)
		}
		out.Registers = append(out.Registers, reg)
	}
	for _, t := range in.Kit.Instruments {
		out.Tools = append(out.Tools, field.Tool{Kind: t.Kind, ID: t.ID, Due: t.Due, Leads: t.Leads, Source: t.ProvedOn.Kind, Unit: t.ProvedOn.ID, Nominal: t.ProvedOn.Nominal})
	}
	for _, w := range in.Kit.Protection {
		out.Worn = append(out.Worn, field.Worn{Item: w.Item, ID: w.ID, Due: w.Due})
	}
	j.jobs[row.Reference] = readJob{string(row.Body), out}
	return out, nil
}

func register(r jobs.Register) (field.Register, error) {
	m, err := r.Metering()
	if err != nil {
		return field.Register{}, err
	}
	out := field.Register{Entry: r.Entry, Meter: m}
	for _, e := range r.Earlier {
		day, err := time.Parse(time.DateOnly, e.On)
		if err != nil {
			return out, err
		}
		v, err := measure.ParseDecimal(e.Reading)
		if err != nil {
			return out, err
		}
		out.Earlier = append(out.Earlier, metering.DatedReading{At: day, Reading: v})
	}
	return out, nil
}

func (j *journal) resolve(in *jobs.Job) (*method.Resolved, error) {
	d, err := j.shelf.Method(in.Method)
	if err != nil {
		return nil, err
	}
	var over []*method.Overlay
	for _, id := range in.Overlays {
		o, err := j.shelf.Overlay(id)
		if err != nil {
			return nil, err
		}
		over = append(over, o)
	}
	return method.Resolve(d, over, in.ForMethod(), j.rules)
}

// Visits lists the visits of a job. Their ids begin with the time.
func (j *journal) Visits(ctx context.Context, job string) ([]string, error) {
	page, err := j.store.Visits(ctx, store.Filter{Job: job})
	if err != nil {
		return nil, err
	}
	j.mu.Lock()
	list := slices.Clone(j.begun[job])
	j.mu.Unlock()
	for _, v := range page.Visits {
		list = append(list, v.Visit)
	}
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
		if l.Version == 0 {
			lines = append(lines, l)
		}
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

func (j *journal) Append(ctx context.Context, visit, job string, lines [][]byte) error {
	receipts, err := j.store.Submit(ctx, lines)
	if err != nil {
		return asField(err)
	}
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
