package method_test

import (
	"encoding/json/jsontext"
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"meterwright/measure"
	"meterwright/method"
	"meterwright/rules"
	"meterwright/site"
)

// tiny is the least method that does one of everything; it is invented.
const tiny = `{
	"method":"tiny","edition":"1","title":"T","language":"en","country":"GB",
	"for":{"phases":1,"metering":"whole-current"},
	"facts":[{"id":"reference","words":"r","values":["yes","no"]}],
	"protection":[{"id":"gloves","words":"gloves","checked":true}],
	"proofs":[{"id":"quiet","words":"quiet","lasts_minutes":30,"undone":["left"]}],
	"stops":[{"id":"live","title":"Live","do":["Ring"],"owner":"distributor","resume":"prove"}],
	"make_safe":[{"act":"put-cover-on","protect":["gloves"]}],
	"phases":[{"id":"a","words":"A","gloved":true,"entry":["live","after"]}],
	"steps":[
		{"id":"decide","phase":"a","say":"Which?","decide":{"fact":"reference"}},
		{"id":"prove","phase":"a","say":"Prove.","prove":{"with":"two-pole-detector","on":["proving-unit"]}},
		{"id":"seen","phase":"a","say":"{at} to {against}?","when":{"reference":["yes"],"socket":["yes"]},"protect":["gloves"],
		 "observe":{"with":"two-pole-detector","at":"metalwork.*","against":"reference.independent","expect":"dark"},
		 "supports":["quiet"],"unexpected":{"stop":"live"}},
		{"id":"volts","phase":"a","say":"Volts?","observe":{"with":"voltmeter","at":"meter.l-in","against":"meter.n-in","limit":"declared-voltage"}},
		{"id":"off","phase":"a","say":"{act}.","needs":["quiet"],"state":{"cover":"off"},"act":"switch-off-*"}
	]}`

func decode(t testing.TB, text string) *method.Document {
	t.Helper()
	d, err := method.DecodeDocument([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func limits(t testing.TB) method.Rules {
	t.Helper()
	r, err := method.Limits(rules.GB())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Each change of the tiny method is one fault, at its place.
func TestFaultsHaveTheirPlace(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{`"tiny"`, `"Tiny"`, `/method: "Tiny" is no name for a method`},
		{`"edition":"1"`, `"edition":""`, "/edition: the edition is missing"},
		{`"phases":1`, `"phases":2`, "/for/phases: 2 phases are not possible"},
		{`"values":["yes","no"]`, `"values":["yes"]`, "/facts/0/values: a fact with 1 values decides nothing"},
		{`"undone":["left"]`, `"undone":["rain"]`, `/proofs/0/undone/0: "rain" is no cause`},
		{`"lasts_minutes":30`, `"lasts_minutes":-1`, "/proofs/0/lasts_minutes: -1 minutes are out of range"},
		{`"supports":["quiet"],`, ``, `/proofs/0: no step supports the proof "quiet"`},
		{`"do":["Ring"]`, `"do":[]`, "/stops/0/do: 0 things to do"},
		{`"owner":"distributor"`, `"owner":"distributor","category":"A"`, "/stops/0/category: a category without its scheme can be misread"},
		{`"resume":"prove"`, `"resume":"proof"`, `/stops/0/resume: there is no step "proof"`},
		{`{"act":"put-cover-on","protect":["gloves"]}`, `{"act":"put-cover-on","protect":["hat"]}`, `/make_safe/0/protect/0: "hat" is no protection`},
		{`"entry":["live","after"]`, `"entry":["later"]`, `/phases/0/entry/0: "later" is no way of entry`},
		{`{"id":"prove"`, `{"id":"decide"`, `/steps/1/id: "decide" stands twice`},
		{`"say":"Which?"`, `"say":""`, "/steps/0/say: the step says nothing"},
		{`"decide":{"fact":"reference"}`, `"decide":{"fact":"weather"}`, `/steps/0/decide/fact: "weather" is no fact`},
		{`"decide":{"fact":"reference"}`, `"act":"fit-seals","decide":{"fact":"reference"}`, "/steps/0: the step does 2 things (decide, act)"},
		{`"on":["proving-unit"]`, `"on":["check-resistor"]`, `/steps/1/prove/on/0: a two-pole detector cannot be proved on "check-resistor"`},
		{`"when":{"reference":["yes"]`, `"when":{"weather":["yes"]`, `/steps/2/when/weather: "weather" is no fact`},
		{`"when":{"reference":["yes"]`, `"when":{"reference":["maybe"]`, `/steps/2/when/reference: "maybe" is no value`},
		{`"socket":["yes"]`, `"socket":[]`, "/steps/2/when/socket: the list is empty"},
		{`"phase":"a","say":"Prove."`, `"phase":"a","sheet":"look","say":"Prove."`, "/steps/1/sheet: what the step does has its place in an order"},
		{`"phase":"a","say":"{at} to`, `"phase":"a","sheet":"look","say":"{at} to`, "/steps/2/supports: a proof is a run in order"},
		{`"phase":"a","say":"Which?"`, `"phase":"a","sheet":"Look","say":"Which?"`, `/steps/0/sheet: "Look" is no name`},
		{`"expect":"dark"`, `"expect":"healthy"`, `/steps/2/observe/expect: a two-pole detector cannot show "healthy"`},
		{`"expect":"dark"`, `"expect":"dark","limit":"declared-voltage"`, "/steps/2/observe: an observation expects exactly one of them"},
		{`"against":"reference.independent",`, ``, "/steps/2/observe: an observation is at a point against another"},
		{`"unexpected":{"stop":"live"}`, `"unexpected":{"stop":"dead"}`, `/steps/2/unexpected/stop: "dead" is no stop`},
		{`"unexpected":{"stop":"live"}`, `"unexpected":{"stop":"live","remark":"x"}`, "/steps/2/unexpected: an unexpected answer leads to exactly one of them"},
		{`"limit":"declared-voltage"`, `"limit":"declared-voltage","bounds":{"unit":"V","words":"","mark":"","source":""}`, "/steps/3/observe/bounds: bounds come from the rules"},
		{`"needs":["quiet"]`, `"needs":["loud"]`, `/steps/4/needs/0: "loud" is no proof`},
		{`"say":"Volts?"`, `"say":"Volts?","sya":"x"`, "/steps/3/sya: this key is not known"},
		{`"title":"T"`, `"title":7`, "/title: a number does not fit here: write text"},
		{`"title":"T"`, `"title":"T","title":"U"`, "duplicate"},
	} {
		if !strings.Contains(tiny, c.old) {
			t.Fatalf("%s is not in the tiny method", c.old)
		}
		_, err := method.DecodeDocument([]byte(strings.Replace(tiny, c.old, c.new, 1)))
		var fs method.Faults
		if !errors.As(err, &fs) {
			t.Errorf("%s: the error is %T %v", c.new, err, err)
			continue
		}
		if !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got\n%v\nwant\n%s", c.new, err, c.want)
		}
	}
}

// A proof that is needed before its run is one that can never hold.
func TestNeedBeforeSupport(t *testing.T) {
	d := decode(t, tiny)
	slices.Reverse(d.Steps)
	if err := d.Validate(); err == nil || !strings.Contains(err.Error(), `/steps/0/needs/0: nothing before this step supports "quiet"`) {
		t.Errorf("got %v", err)
	}
}

func TestResolveExpands(t *testing.T) {
	d := decode(t, tiny)
	job := method.Job{Site: site.Spec{Arrangement: site.TNS, Units: []string{"house", "barn"}, Metalwork: []string{"box", "gas-pipe"}}}
	r, err := method.Resolve(d, nil, job, limits(t))
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, s := range r.Steps {
		ids = append(ids, s.ID)
	}
	want := []string{"decide", "prove", "seen/metalwork.box", "seen/metalwork.gas-pipe", "volts", "off/switch-off-house", "off/switch-off-barn"}
	if !slices.Equal(ids, want) {
		t.Errorf("steps %q, want %q", ids, want)
	}
	seen, _ := r.Step("seen/metalwork.gas-pipe")
	if seen.Say != "gas pipe (metal) to independent earth reference?" || seen.Observe.At != "metalwork.gas-pipe" {
		t.Errorf("step says %q at %s", seen.Say, seen.Observe.At)
	}
	if len(seen.When) != 1 || seen.When["reference"] == nil {
		t.Errorf("what the job knows is still asked: %v", seen.When)
	}
	if off, _ := r.Step("off/switch-off-barn"); off.Say != "Switch the barn main switch off." || off.State["cover"] != "off" {
		t.Errorf("step says %q in the state %v", off.Say, off.State)
	}
	if s, i := r.Step("none"); s != nil || i != -1 {
		t.Error("a step was found that is not there")
	}
	if len(d.Steps) != 5 || d.Steps[2].Observe.At != "metalwork.*" {
		t.Error("resolving changed the document")
	}
}

// Without the socket the run is gone, and so is the proof and the need of it.
func TestProofWithoutSupportIsNotNeeded(t *testing.T) {
	r, err := method.Resolve(decode(t, tiny), nil, method.Job{Site: site.Spec{Arrangement: site.TT, NoSocket: true}}, limits(t))
	if err != nil {
		t.Fatal(err)
	}
	if off, _ := r.Step("off/switch-off-house"); len(r.Proofs) != 0 || len(off.Needs) != 0 {
		t.Errorf("proofs %v, needs %v", r.Proofs, off.Needs)
	}
}

// Where other answers lead: limits with their numbers, entries that the job rules out left away, and faults.
func TestOtherwise(t *testing.T) {
	reads := func(otherwise string) string {
		return strings.Replace(tiny, `"limit":"declared-voltage"}`, `"limit":"declared-voltage"},"otherwise":[`+otherwise+`]`, 1)
	}
	ok := `{"within":"touch-voltage","stop":"live"},{"below":"declared-voltage","counts":true,"remark":"low","owner":"distributor"},
		{"above":"declared-voltage","when":{"socket":["no"]},"stop":"live"},{"above":"declared-voltage","stop":"live"},{"answers":["over-range"],"stop":"live"}`
	r, err := method.Resolve(decode(t, reads(ok)), nil, method.Job{Site: site.Spec{Arrangement: site.TNS}}, limits(t))
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(r.Steps, func(s method.Step) bool { return len(s.Otherwise) > 0 })
	var got []string
	for _, o := range r.Steps[i].Otherwise {
		text := strings.Join(o.Answers, " ")
		if b := o.Bounds; b != nil {
			text = b.Lower + ".." + b.Upper + " [" + b.Mark + "]"
		}
		got = append(got, text)
	}
	// Touch-voltage limit: IEC 61140 [S]; declared band: ESQCR 2002, regulation 27 [S].
	if want := []string{"..50 [S]", "..216.2 [S]", "253.0.. [S]", "over-range"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	for _, c := range []struct{ otherwise, want string }{
		{`{"remark":"a"}`, "says nothing of the answer"},
		{`{"within":"touch-voltage"}`, "exactly one of them"},
		{`{"within":"touch-voltage","stop":"nobody"}`, "no stop"},
		{`{"within":"touch-voltage","below":"touch-voltage","stop":"live"}`, "one of a list, or a value at one limit"},
		{`{"within":"touch-voltage","answers":["over-range"],"stop":"live"}`, "one of a list, or a value at one limit"},
		{`{"answers":["lit"],"stop":"live"}`, "no answer that is not expected"},
		{`{"answers":["over-range"],"counts":true,"remark":"a"}`, "leaves a proof standing"},
		{`{"within":"touch-voltage","counts":true,"stop":"live"}`, "leaves a proof standing"},
		{`{"within":"touch-voltage","counts":true,"when":{"socket":["yes"]},"remark":"a"}`, "hangs on the answer alone"},
		{`{"within":"touch-voltage","remark":"a","owner":"nobody"}`, "is no owner"},
		{`{"when":{"weather":["fair"]},"stop":"live"}`, "is no fact"},
		{`{"below":"touch-voltage","stop":"live"}`, "nothing lies below touch-voltage"},
		{`{"within":"nothing","stop":"live"}`, "the rules have no limit"},
		{strings.Repeat(`{"within":"touch-voltage","stop":"live"},`, 8) + `{"within":"touch-voltage","stop":"live"}`, "too many"},
	} {
		d, err := method.DecodeDocument([]byte(reads(c.otherwise)))
		if err == nil {
			_, err = method.Resolve(d, nil, method.Job{Site: site.Spec{Arrangement: site.TNS}}, limits(t))
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.otherwise, err, c.want)
		}
	}
}

func TestResolveFaults(t *testing.T) {
	tn := method.Job{Site: site.Spec{Arrangement: site.TNS}}
	for _, c := range []struct {
		old, new, want string
		job            method.Job
	}{
		{`"declared-voltage"`, `"declared"`, `/steps/3/observe/limit: the rules have no limit "declared"`, tn},
		{`"metalwork.*"`, `"metal.*"`, `/steps/2/observe/at: "metal.*" is no test point here`, tn},
		{`"reference.independent"`, `"reference.other"`, `/steps/2/observe/against: "reference.other" is no test point here`, tn},
		{`"cover":"off"`, `"lid":"off"`, `/steps/4/state/lid: there is no switch "lid"`, tn},
		{`"cover":"off"`, `"cover":"away"`, `/steps/4/state/cover: "away" is no position of cover`, tn},
		{`"switch-off-*"`, `"switch-off"`, `/steps/4/act: there is no act "switch-off"`, tn},
		{`"resume":"prove"`, `"resume":"prove","allows":["withdraw-carrier"]`, `/stops/0/allows/0: the stop allows "withdraw-carrier"`, tn},
		{`"act":"put-cover-on"`, `"act":"withdraw-carrier"`, `/make_safe/0/act: the act "withdraw-carrier" does not make safe`, tn},
		{`"T"`, `"T"`, "is for 1-phase whole-current positions", method.Job{Site: site.Spec{Arrangement: site.TNS, Phases: 3}}},
		{`"T"`, `"T"`, "arrangement", method.Job{}},
	} {
		_, err := method.Resolve(decode(t, strings.Replace(tiny, c.old, c.new, 1)), nil, c.job, limits(t))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.new, err, c.want)
		}
	}
}

// Electricity Safety, Quality and Continuity Regulations 2002, regulation 27:
// 230 V, +10 % and -6 %. IEC 61140 and BS 7671: 50 V. The loop impedances are the
// declared maxima of common practice [P].
func TestLimitsAgainstTheirSources(t *testing.T) {
	l := limits(t).Limits
	for _, c := range []struct{ name, lower, upper, unit, mark, doubt, beyond, credible string }{
		{"declared-voltage", "216.2", "253.0", "V", "S", "open", "again", "to 500 V"},
		{"two-lines-voltage", "350", "", "V", "P", "open", "again", "to 500 V"},
		{"touch-voltage", "", "50", "V", "S", "against", "at-once", ""},
		{"dead-voltage", "", "50", "V", "P", "against", "at-once", ""},
		{"neutral-earth", "", "10", "V", "P", "open", "at-once", ""},
		{"no-load-current", "", "0.5", "A", "P", "against", "again", ""},
		{"load-current", "", "100", "A", "P", "open", "again", ""},
		{"secondary-current", "0.2", "", "A", "P", "against", "again", ""},
		{"shorted-current", "", "0.1", "A", "P", "against", "again", ""},
		{"joined-resistance", "", "0.5", "ohm", "P", "against", "again", ""},
		{"loop-tn-cs", "", "0.35", "ohm", "P", "open", "again", "0.015 to ohm"},
		{"loop-tn-s", "", "0.80", "ohm", "P", "open", "again", "0.015 to ohm"},
		{"loop-tt", "", "21", "ohm", "P", "open", "again", "0.015 to ohm"},
		{"loop-tt-electrode", "", "200", "ohm", "S", "open", "again", "0.015 to ohm"},
		{"loop-line-neutral", "", "0.35", "ohm", "P", "open", "again", "0.015 to ohm"},
	} {
		b, ok := l[c.name]
		if !ok || b.Lower != c.lower || b.Upper != c.upper || b.Unit != c.unit || b.Mark != c.mark || b.Source == "" || b.Words == "" {
			t.Errorf("%s: %+v", c.name, b)
		}
		credible := ""
		if x := b.Credible; x != nil {
			credible = strings.TrimSpace(strings.TrimSpace(x.Lower+" to "+x.Upper) + " " + x.Unit)
			if x.Mark == "" || x.Source == "" {
				t.Errorf("%s: what is credible has no source", c.name)
			}
		}
		if string(b.Doubt) != c.doubt || string(b.Beyond) != c.beyond || credible != c.credible {
			t.Errorf("%s: doubt %s, beyond %s, credible %q", c.name, b.Doubt, b.Beyond, credible)
		}
	}
	if len(l) != 15 {
		t.Errorf("%d limits are not all checked here", len(l))
	}
	b := l["declared-voltage"]
	low, err1 := measure.ParseDecimal(b.Lower)
	high, err2 := measure.ParseDecimal(b.Upper)
	if err1 != nil || err2 != nil || low.Float() < 230*0.94-1e-9 || low.Float() > 230*0.94+1e-9 || high.Float() < 230*1.10-1e-9 || high.Float() > 230*1.10+1e-9 {
		t.Errorf("the band is %s to %s", b.Lower, b.Upper)
	}
}

// The hash is of the RFC 8785 form, so it is the same whatever the order of keys
// in the file, and another for any other text.
func TestHashFollowsTheText(t *testing.T) {
	hash := func(text string) string {
		r, err := method.Resolve(decode(t, text), nil, method.Job{Site: site.Spec{Arrangement: site.TNCS}}, limits(t))
		if err != nil {
			t.Fatal(err)
		}
		h, err := r.Hash()
		if err != nil {
			t.Fatal(err)
		}
		if len(h) != 64 || strings.Trim(h, "0123456789abcdef") != "" {
			t.Fatalf("hash %q", h)
		}
		return h
	}
	v := jsontext.Value(tiny)
	if err := v.Canonicalize(); err != nil {
		t.Fatal(err)
	}
	if hash(tiny) != hash(string(v)) {
		t.Error("the order of keys changes the hash")
	}
	if hash(tiny) == hash(strings.Replace(tiny, `"say":"Volts?"`, `"say":"Volts??"`, 1)) {
		t.Error("another text has the same hash")
	}
}

// Whatever the job, resolving twice gives the same bytes, and they come back.
func TestResolvedComesBack(t *testing.T) {
	d, l := decode(t, tiny), limits(t)
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-z][a-z0-9]{0,8}`), 1, 4, rapid.ID[string])
		job := method.Job{FitIsolator: rapid.Bool().Draw(t, "fit"), Site: site.Spec{
			Arrangement: rapid.SampledFrom(site.Arrangements()).Draw(t, "arrangement"),
			Units:       names.Draw(t, "units"), Metalwork: names.Draw(t, "metalwork"),
			Sources: rapid.SliceOfDistinct(rapid.SampledFrom(site.Sources()), rapid.ID[site.Source]).Filter(func(s []site.Source) bool { return len(s) <= 4 }).Draw(t, "sources"),
			Export:  rapid.Bool().Draw(t, "export"), Switched: rapid.Bool().Draw(t, "switched"),
			Isolator: rapid.Bool().Draw(t, "isolator"), NoSocket: rapid.Bool().Draw(t, "no socket"),
			Rates: rapid.IntRange(1, 8).Draw(t, "rates"),
		}}
		encode := func() string {
			r, err := method.Resolve(d, nil, job, l)
			if err != nil {
				t.Fatal(err)
			}
			b, err := r.Encode()
			if err != nil {
				t.Fatal(err)
			}
			back, err := method.DecodeResolved(b)
			if err != nil {
				t.Fatal(err)
			}
			again, err := back.Encode()
			if err != nil {
				t.Fatal(err)
			}
			if string(again) != string(b) {
				t.Fatalf("%s\ncomes back as\n%s", b, again)
			}
			return string(b)
		}
		if first, second := encode(), encode(); first != second {
			t.Fatal("resolved differently twice")
		}
	})
}

func TestOverlayFaults(t *testing.T) {
	d, l, job := decode(t, tiny), limits(t), method.Job{Site: site.Spec{Arrangement: site.TNS}}
	for _, c := range []struct{ changes, want string }{
		{`[{"relax":{"remove":["none"]}}]`, `/changes/0/relax/remove/0: there is no step "none"`},
		{`[{"relax":{"steps":["phase:none"],"protect":["gloves"]}}]`, `/changes/0/relax/steps/0: nothing is called "phase:none"`},
		{`[{"tighten":{"proof":"none","lasts_minutes":5}}]`, `/changes/0/tighten/proof: there is no proof "none"`},
		{`[{"tighten":{"proof":"quiet","lasts_minutes":31}}]`, "/changes/0/tighten/lasts_minutes: 31 minutes are longer than the 30"},
		{`[{"tighten":{"lasts_minutes":5}}]`, "/changes/0/tighten: a life or a cause belongs to a proof"},
		{`[{"add":{"before":"seen","after":"seen","steps":[]}}]`, "/changes/0/add: the place is not clear"},
		{`[{"move":{"phase":"a","before":"b"}}]`, `/changes/0/move: phase "a" cannot be moved before "b"`},
		{`[{"add":{"before":"seen","steps":[{"id":"prove","phase":"a","say":"x","act":"fit-seals"}]}}]`, `"prove" stands twice`},
		{`[{"relax":{"remove":["seen"]}}]`, `no step supports the proof "quiet"`},
	} {
		o, err := method.DecodeOverlay([]byte(`{"overlay":"o","edition":"1","title":"T","of":"tiny","changes":` + c.changes + `}`))
		if err == nil {
			_, err = method.Resolve(d, []*method.Overlay{o}, job, l)
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.changes, err, c.want)
		}
	}
	if err := d.Validate(); err != nil {
		t.Errorf("an overlay changed the method: %v", err)
	}
}

func TestOverlayNamesWhatItTakesAway(t *testing.T) {
	o, err := method.DecodeOverlay([]byte(`{"overlay":"o","edition":"2","title":"T","of":"tiny","changes":[
		{"relax":{"steps":["phase:a"],"protect":["gloves"],"needs":["quiet"]}},
		{"relax":{"remove":["volts"]}},
		{"tighten":{"proof":"quiet","lasts_minutes":10,"undone":["handed-over"]}}]}`))
	if err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(decode(t, tiny), []*method.Overlay{o}, method.Job{Site: site.Spec{Arrangement: site.TNS}}, limits(t))
	if err != nil {
		t.Fatal(err)
	}
	want := []method.Away{{Overlay: "o", Kind: method.AwayProtection, Step: "seen", What: "gloves"}, {Overlay: "o", Kind: method.AwayStep, Step: "volts"},
		{Overlay: "o", Kind: method.AwayNeed, Step: "off", What: "quiet"}}
	if !slices.Equal(r.TakesAway, want) {
		t.Errorf("takes away %q, want %q", r.TakesAway, want)
	}
	if p := r.Proofs[0]; p.Lasts != 10 || !slices.Contains(p.Undone, method.HandedOver) {
		t.Errorf("proof %+v", p)
	}
	if len(r.Overlays) != 1 || r.Overlays[0] != (method.OverlayRef{ID: "o", Edition: "2"}) {
		t.Errorf("overlays %v", r.Overlays)
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte(tiny))
	for _, s := range []string{"", "{}", "[]", "null", `{"steps":[{}]}`, `{"method":1}`, `{"method":"a","method":"b"}`, `{"steps":[null]}`, `{"for":null}`} {
		f.Add([]byte(s))
	}
	l, err := method.Limits(rules.GB())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		d, err := method.DecodeDocument(b)
		if err != nil {
			var fs method.Faults
			if !errors.As(err, &fs) || len(fs) == 0 {
				t.Fatalf("the error is %T", err)
			}
			return
		}
		if r, err := method.Resolve(d, nil, method.Job{Site: site.Spec{Arrangement: site.TNS, Phases: d.For.Phases}}, l); err == nil {
			if _, err := r.Encode(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
