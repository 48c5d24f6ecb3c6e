package visit

import (
	"fmt"
	"math"
	"slices"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/rules"
)

// Judged is what the engine makes of one reading.
type Judged struct {
	Found Found `json:"found"`
	// Verdict and Probability are given where a number was judged against a limit.
	Verdict     string  `json:"verdict,omitempty"`
	Probability float64 `json:"probability,omitempty"`
	// Odd says why no working instrument could show such a number there.
	Odd Odd `json:"odd,omitempty"`
	// Again says that the reading was asked for once more before it counts.
	Again bool `json:"again,omitempty"`
}

// Found is what the engine makes of an answer.
type Found string

// What the engine makes of answers.
const (
	FoundExpected   Found = "expected"
	FoundDoubtful   Found = "doubtful"
	FoundUnexpected Found = "unexpected"
	FoundWithdrawn  Found = "withdrawn"
	// FoundRemarked: it is remarked on, and counts as the expected answer does.
	FoundRemarked Found = "remarked"
	// FoundOdd: no working instrument could show it there, and it does not count.
	FoundOdd Found = "odd"
)

// Odd says why no working instrument could show a number.
type Odd string

// Why a number is odd.
const (
	OddRange Odd = "beyond-the-range"    // above what the display of its kind shows
	OddAbove Odd = "above-what-is-there" // above what such a position can give
	OddBelow Odd = "below-what-is-there" // below it
)

var results = [...]Found{"", FoundExpected, FoundDoubtful, FoundUnexpected, FoundWithdrawn, FoundRemarked}

func (r result) found() Found { return results[r] }

// found is what an attempt comes to in a state: as it was judged, unless it is asked for again first.
func (m *Machine) found(c *Control, r *reduced) Judged {
	j := r.judged
	if m.asks(c, &r.attempt) {
		if j.Again = true; r.odd {
			j.Found = FoundOdd
		}
	}
	return j
}

// judgeObservation compares what an instrument showed with what the step
// expects. A number is judged against its limit by JCGM 106 with the accuracy of
// the kind of instrument. One that cannot be read there is never a pass.
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
	if v.Sign() < 0 && !o.Bounds.Signed {
		return noResult, Judged{}, fmt.Errorf("%s %s: %s is a size, which has no sign: leave the sign out, or read the instrument again", v, unit, o.Bounds.Words)
	}
	j, err := judgeValue(o.Bounds, kind, v, o.Bounds.Signed)
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
	if out.Odd, err = oddness(o, v); err != nil {
		return noResult, Judged{}, err
	}
	if out.Odd != "" && res == expected {
		res, out.Verdict, out.Probability = doubtful, "", 0
	}
	out.Found = res.found()
	return res, out, nil
}

// judgeValue judges a number against bounds.
func judgeValue(b *method.Bounds, kind instrument.Kind, v measure.Decimal, signed bool) (measure.Judgement, error) {
	limit, err := boundsLimit(b)
	if err != nil {
		return measure.Judgement{}, err
	}
	size := v.Float()
	if lower, ok := limit.Lower(); signed && !(ok && lower < 0) {
		// The sign is a direction, of which the limit says nothing: it holds either way.
		size = math.Abs(size)
	}
	return measure.Judge(size, kind.Accuracy().StandardUncertainty(v), limit, measure.DefaultGuard)
}

// oddness says why no working instrument could show a number at an observation, or nothing. What says that
// something is live is never odd.
func oddness(o *method.Observe, v measure.Decimal) (Odd, error) {
	if o.Bounds.Beyond == rules.BeyondAtOnce {
		return "", nil
	}
	size := math.Abs(v.Float())
	if size > instrument.Kind(o.With).Most() {
		return OddRange, nil
	}
	if o.Bounds.Credible == nil {
		return "", nil
	}
	limit, err := boundsLimit(o.Bounds.Credible)
	if err != nil {
		return "", err
	}
	if low, ok := limit.Lower(); ok && size < low {
		return OddBelow, nil
	}
	if high, ok := limit.Upper(); ok && size > high {
		return OddAbove, nil
	}
	return "", nil
}

// judge takes an observation through its limit and, where it is not as expected, through what the step says of
// other answers.
func (r *reduced) judge(s *method.Step, shows instrument.Indication) error {
	var err error
	if r.result, r.judged, err = judgeObservation(s.Observe, shows); err != nil {
		return err
	}
	r.odd = r.judged.Odd != ""
	return r.weigh(s, func(o *method.Otherwise) (bool, error) {
		if o.Bounds == nil {
			return len(o.Answers) == 0 || slices.Contains(o.Answers, string(shows.Shows())), nil
		}
		v, _, isValue := shows.Reading()
		if !isValue {
			return false, nil
		}
		j, err := judgeValue(o.Bounds, instrument.Kind(s.Observe.With), v, s.Observe.Bounds.Signed)
		return j.Verdict == measure.Pass || j.Verdict == measure.Doubtful && o.Stop != "", err
	})
}

// weigh notes which entries of otherwise an unexpected answer fits, facts apart. Where the first of them counts, so
// does the answer.
func (r *reduced) weigh(s *method.Step, fits func(*method.Otherwise) (bool, error)) error {
	r.cases = 0
	if r.result != unexpected {
		return nil
	}
	for i := range s.Otherwise {
		ok, err := fits(&s.Otherwise[i])
		if err != nil {
			return err
		}
		if ok && r.cases == 0 && s.Otherwise[i].Counts {
			r.result, r.judged.Found = remarked, FoundRemarked
		}
		if ok {
			r.cases |= 1 << i
		}
	}
	return nil
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
