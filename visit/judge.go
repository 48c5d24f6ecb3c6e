package visit

import (
	"fmt"
	"math"
	"slices"

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
	if v.Sign() < 0 && !o.Bounds.Signed {
		return noResult, Judged{}, fmt.Errorf("%s %s: %s is a size, which has no sign: leave the sign out, or read the instrument again", v, unit, o.Bounds.Words)
	}
	size := v.Float()
	if lower, ok := limit.Lower(); o.Bounds.Signed && !(ok && lower < 0) {
		// The sign is a direction, of which the limit says nothing: it holds either way.
		size = math.Abs(size)
	}
	u := kind.Accuracy().StandardUncertainty(v)
	j, err := measure.Judge(size, u, limit, measure.DefaultGuard)
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
		d, err := measure.ParseDecimal(text)
		if err != nil {
			return err
		}
		if d.Sign() < 0 && !f.Signed {
			return fmt.Errorf("%s has a sign, and %s is a size: leave the sign out", text, f.Words)
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
