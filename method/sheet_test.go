package method_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"meterwright/method"
	"meterwright/site"
)

// withRows is the tiny method with rows before its first step: "sheet" or "sheet kind" each.
func withRows(t testing.TB, rows ...string) *method.Document {
	t.Helper()
	d := decode(t, tiny)
	var steps []method.Step
	for i, r := range rows {
		sheet, kind, _ := strings.Cut(r, " ")
		s := method.Step{ID: fmt.Sprintf("row-%d", i), Phase: "a", Sheet: sheet, Say: "Is it so?"}
		switch kind {
		case "":
			s.Inspect = &method.Inspect{Answers: []string{"it is", "it is not"}}
		case "decide":
			s.Decide = &method.Decide{Fact: "reference"}
		case "when":
			s.Inspect = &method.Inspect{Answers: []string{"it is", "it is not"}}
			s.When = map[string][]string{"reference": {"yes"}}
		case "otherwise":
			s.Inspect = &method.Inspect{Answers: []string{"it is", "it is not"}, Expect: "it is"}
			s.Otherwise = []method.Otherwise{{Answers: []string{"it is not"}, When: map[string][]string{"reference": {"yes"}}, Unexpected: method.Unexpected{Remark: "x", Owner: "consumer"}}}
			s.Unexpected = &method.Unexpected{Stop: "live"}
		case "put-on":
			s.PutOn = []string{"gloves"}
		}
		steps = append(steps, s)
	}
	d.Steps = append(steps, d.Steps...)
	return d
}

func TestSheets(t *testing.T) {
	many := slices.Repeat([]string{"look"}, method.MaxRows)
	for _, c := range []struct {
		rows []string
		want string
	}{
		{[]string{"look", "look", "look"}, ""},
		{[]string{"look", "", "kit"}, ""},
		{[]string{"look", "kit decide", "look"}, `/steps/2/sheet: the sheet "look" stands in another place already`},
		{[]string{"look", "", "look"}, `/steps/2/sheet: the sheet "look" stands in another place already`},
		{[]string{"look decide", "kit when"}, ""},
		{[]string{"look when", "look decide"}, `/steps/0/when/reference: "reference" is decided in the same sheet`},
		{[]string{"look decide", "look when"}, `/steps/1/when/reference: "reference" is decided in the same sheet`},
		{[]string{"look decide", "kit otherwise"}, ""},
		{[]string{"look decide", "look otherwise"}, `/steps/1/otherwise/0/when/reference: "reference" is decided in the same sheet`},
		{[]string{"look", "look put-on"}, "/steps/1/sheet: what the step does has its place in an order"},
		{many, ""},
		{append(slices.Clone(many), "look"), fmt.Sprintf(`/steps/16/sheet: the sheet "look" has %d rows`, method.MaxRows+1)},
	} {
		err := withRows(t, c.rows...).Validate()
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%q: %v", c.rows, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%q: got %v, and it should say %s", c.rows, err, c.want)
		}
	}
}

func TestSheetsOfAResolvedMethod(t *testing.T) {
	job := method.Job{Site: site.Spec{Arrangement: site.TNS}}
	r, err := method.Resolve(withRows(t, "look", "look", "", "kit", "kit"), nil, job, limits(t))
	if err != nil {
		t.Fatal(err)
	}
	got, err := r.Sheets()
	if err != nil || !slices.Equal(got, []method.Sheet{{First: 0, Last: 1}, {First: 3, Last: 4}}) {
		t.Errorf("got %v, %v", got, err)
	}
	// A step that an overlay puts between the rows is one of them, or the sheet is in pieces.
	for sheet, want := range map[string]string{"look": "", "": `the sheet "look" stands in another place already`} {
		o := method.Overlay{ID: "ours", Edition: "1", Of: "tiny", Changes: []method.Change{{Add: &method.Add{After: "row-0", Steps: []method.Step{
			{ID: "mat", Phase: "a", Sheet: sheet, Say: "Is there a mat?", Inspect: &method.Inspect{Answers: []string{"yes", "no"}}}}}}}}
		_, _, err := o.Apply(withRows(t, "look", "look"))
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("in sheet %q: %v", sheet, err)
		}
	}
}
