package visit

import (
	"fmt"
	"slices"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
)

// Judged is what the engine makes of one reading.
type Judged struct {
	Found Found `json:"found"`
	// Verdict and Probability are given where a number was judged against a limit.
	Verdict     string  `json:"verdict,omitempty"`
	Probability float64 `json:"probability,omitempty"`
}

// Found is what the engine makes of an answer.
type Found string

// What the engine makes of answers.
const (
	FoundExpected   Found = "expected"
	FoundDoubtful   Found = "doubtful"
	FoundUnexpected Found = "unexpected"
	FoundWithdrawn  Found = "withdrawn"
)

var results = [...]Found{"", FoundExpected, FoundDoubtful, FoundUnexpected, FoundWithdrawn}

func (r result) found() Found { return results[r] }

// judgeObservation compares what an instrument showed with what the step
// expects. A number is judged against its limit by JCGM 106 with the accuracy of
// the kind of instrument; a doubtful number supports nothing.
func judgeObservation(o *method.Observe, shows instrument.Indication) (result, Judged, error) {
	kind := instrument.Kind(o.With)
	model, ok := instrument.Lookup(kind)
	if !ok {
		return noResult, Judged{}, fmt.Errorf("the method names %q, which is no kind of instrument", o.With)
	}
	if err := model.Allows(shows.Shows()); err != nil {
		return noResult, Judged{}, err
	}
	if o.Expect != "" {
		if shows.Shows() == instrument.Shows(o.Expect) {
			return expected, Judged{Found: expected.found()}, nil
		}
		return unexpected, Judged{Found: unexpected.found()}, nil
	}
	v, unit, isValue := shows.Reading()
	if !isValue {
		return unexpected, Judged{Found: unexpected.found()}, nil
	}
	if unit != o.Bounds.Unit {
		return noResult, Judged{}, fmt.Errorf("the %s is read here in %s, not in %s: give the reading in %s", model.Words, o.Bounds.Unit, unit, o.Bounds.Unit)
	}
	limit, err := boundsLimit(o.Bounds)
	if err != nil {
		return noResult, Judged{}, err
	}
	u := kind.Accuracy().StandardUncertainty(v)
	j, err := measure.Judge(v.Float(), u, limit, measure.DefaultGuard)
	if err != nil {
		return noResult, Judged{}, err
	}
	out := Judged{Verdict: j.Verdict.String(), Probability: j.Probability}
	res := doubtful
	switch j.Verdict {
	case measure.Pass:
		res = expected
	case measure.Fail:
		res = unexpected
	}
	out.Found = res.found()
	return res, out, nil
}

func boundsLimit(b *method.Bounds) (measure.Limit, error) {
	var lower, upper float64
	for _, side := range []struct {
		text string
		into *float64
	}{{b.Lower, &lower}, {b.Upper, &upper}} {
		if side.text == "" {
			continue
		}
		d, err := measure.ParseDecimal(side.text)
		if err != nil {
			return measure.Limit{}, fmt.Errorf("limit %q: %w", b.Words, err)
		}
		*side.into = d.Float()
	}
	switch {
	case b.Lower != "" && b.Upper != "":
		return measure.Between(lower, upper), nil
	case b.Lower != "":
		return measure.AtLeast(lower), nil
	case b.Upper != "":
		return measure.AtMost(upper), nil
	}
	return measure.Limit{}, fmt.Errorf("limit %q has no number", b.Words)
}

// dueBy reports whether a date YYYY-MM-DD has not passed on the day of wall. An
// empty date counts as not passed only where none is required.
func dueBy(due string, wall time.Time, required bool) (bool, error) {
	if due == "" {
		return !required, nil
	}
	d, err := time.Parse(time.DateOnly, due)
	if err != nil {
		return false, fmt.Errorf("%q is no date: write it like 2026-11-24", clip(due))
	}
	y, mo, day := wall.Date()
	today := time.Date(y, mo, day, 0, 0, 0, 0, time.UTC)
	return !today.After(d), nil
}

// checkEntry checks how an answer was entered.
func checkEntry(e Entry) (after bool, err error) {
	switch e.Entered {
	case "":
		if e.Happened != "" {
			return false, fmt.Errorf("happened is given for an answer that was entered live: leave it out, or write entered: after")
		}
		return false, nil
	case "after":
		if _, err := time.Parse(time.RFC3339, e.Happened); err != nil {
			return false, fmt.Errorf("an answer entered after its phase needs the time when it happened, like 2026-11-24T10:42:00Z")
		}
		return true, nil
	}
	return false, fmt.Errorf("%q is no way of entry: write after, or leave it out", clip(e.Entered))
}

// checkEntries checks what was entered at a step that records.
func checkEntries(r *method.Record, entries map[string]string, photographs map[string]Attachment, whole bool) error {
	for _, id := range sortedKeys(entries) {
		i := slices.IndexFunc(r.Fields, func(f method.Field) bool { return f.ID == id })
		if i < 0 {
			return fmt.Errorf("entry %q: the step has no such field: it has %s", clip(id), fieldNames(r))
		}
		if err := checkField(&r.Fields[i], entries[id]); err != nil {
			return fmt.Errorf("entry %s: %w", id, err)
		}
	}
	for _, id := range sortedKeys(photographs) {
		if !slices.ContainsFunc(r.Fields, func(f method.Field) bool { return f.ID == id && f.Type == "photograph" }) {
			return fmt.Errorf("photograph %q: the step asks for no such photograph", clip(id))
		}
	}
	if !whole {
		return nil
	}
	for _, f := range r.Fields {
		_, text := entries[f.ID]
		_, picture := photographs[f.ID]
		if !f.Optional && !text && !picture {
			return fmt.Errorf("entry %s is missing: %s", f.ID, f.Words)
		}
	}
	return nil
}

func checkField(f *method.Field, text string) error {
	if text == "" {
		return fmt.Errorf("it is empty: leave the field out, or say what was found")
	}
	switch f.Type {
	case "number", "reading":
		if _, err := measure.ParseDecimal(text); err != nil {
			return err
		}
	case "choice":
		if !slices.Contains(f.Choices, text) {
			return fmt.Errorf("%q is none of the choices %v", clip(text), f.Choices)
		}
	case "photograph":
		return fmt.Errorf("a photograph is attached, not written")
	}
	return nil
}

func fieldNames(r *method.Record) string {
	text := ""
	for i, f := range r.Fields {
		if i > 0 {
			text += ", "
		}
		text += f.ID
	}
	return text
}

// ParseShows reads an indication as a correction writes it.
func ParseShows(text string) (instrument.Indication, bool) {
	i, err := instrument.ParseIndication(text)
	return i, err == nil
}
