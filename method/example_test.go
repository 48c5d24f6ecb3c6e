package method_test

import (
	"fmt"

	"meterwright/method"
	"meterwright/rules"
	"meterwright/site"
)

// A document comes from package written, or from JSON as here.
func ExampleDecodeDocument() {
	_, err := method.DecodeDocument([]byte(`{"method":"Tiny","edition":"1"}`))
	for _, f := range err.(method.Faults)[:2] {
		fmt.Println(f)
	}
	// Output:
	// /for/metering: "" is not known: write whole-current or ct-operated
	// /for/phases: 0 phases are not possible: write 1 or 3
}

// A visit follows what a method, an overlay and a job come to.
func ExampleResolve() {
	d, err := method.DecodeDocument([]byte(tiny))
	if err != nil {
		panic(err)
	}
	limits, err := method.Limits(rules.GB())
	if err != nil {
		panic(err)
	}
	bare := &method.Overlay{ID: "bare-hands", Edition: "1", Title: "Without gloves", Of: "tiny",
		Changes: []method.Change{{Relax: &method.Relax{Steps: []string{"phase:a"}, Protect: []string{"gloves"}}}}}
	r, err := method.Resolve(d, []*method.Overlay{bare}, method.Job{Site: site.Spec{Arrangement: site.TNS}}, limits)
	if err != nil {
		panic(err)
	}
	for _, s := range r.Steps {
		fmt.Println(s.ID, s.Does(), s.Say)
	}
	for _, a := range r.TakesAway {
		fmt.Println("taken away:", a)
	}
	// Output:
	// decide decide Which?
	// prove prove Prove.
	// seen/metalwork.box observe box (metal) to independent earth reference?
	// volts observe Volts?
	// off/switch-off-house act Switch the house main switch off.
	// taken away: seen without gloves
}

// Whatever shows an entry finds it by its role.
func ExampleResolved_FieldsWith() {
	r := &method.Resolved{Steps: []method.Step{{ID: "close", Record: &method.Record{Fields: []method.Field{
		{ID: "f1", Words: "old meter", Type: "text", Role: method.OldMeter},
		{ID: "f2", Words: "final register", Type: "reading", Role: method.FinalRegister}}}}}}
	for _, f := range r.FieldsWith(method.FinalRegister, method.OpeningRegister) {
		fmt.Println(f.ID, f.Words, f.Of())
	}
	// Output: f2 final register import
}

// A language has words for texts, and for codes where they are shown.
func ExampleResolved_In() {
	r := &method.Resolved{Language: "en", Phases: []method.Phase{{ID: "close", Words: "Close"}},
		Translations: map[string]map[string]string{"fr": {"phases.close.words": "Fin", "answers.yes": "oui"}}}
	in := r.In("fr")
	fmt.Println(in.Phases[0].Words, in.Display(method.Answers, "yes"), in.Display(method.Answers, "no"))
	// Output: Fin oui no
}
