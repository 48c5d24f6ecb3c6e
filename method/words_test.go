package method_test

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"meterwright/internal/test/pseudo"
	"meterwright/method"
	"meterwright/site"
)

var job = method.Job{Site: site.Spec{Arrangement: site.TNS, Reference: true, Metalwork: []string{"box", "gas-pipe"}}}

// inPseudo translates the tiny method whole: its own texts, those of its positions and the limits.
func inPseudo(t testing.TB, d *method.Document) *method.Translation {
	t.Helper()
	tr := &method.Translation{Of: d.ID, Edition: d.Edition, Language: pseudo.Language, Words: pseudo.Words(d.Vocabulary())}
	// What the words of a position are called is asked of the faults, one by one.
	for {
		err := d.Check(tr)
		if err == nil {
			return tr
		}
		var faults method.Faults
		if !errors.As(err, &faults) {
			t.Fatal(err)
		}
		_, rest, missing := strings.Cut(faults[0].Problem, "the words for ")
		if !missing {
			t.Fatal(err)
		}
		key := strings.TrimSuffix(rest, " are missing")
		tr.Words[key] = pseudo.Text(key)
	}
}

func TestWordsInAnotherLanguage(t *testing.T) {
	d := decode(t, tiny)
	tr := inPseudo(t, d)
	r, err := method.Resolve(d, nil, job, limits(t), tr)
	if err != nil {
		t.Fatal(err)
	}
	if got := slices.Sorted(maps.Keys(r.Translations)); r.Language != "en" || !slices.Equal(got, []string{pseudo.Language}) {
		t.Errorf("languages %s, %v", r.Language, got)
	}
	plain, err := method.Resolve(d, nil, job, limits(t))
	if err != nil {
		t.Fatal(err)
	}
	a, _ := r.Hash()
	b, _ := plain.Hash()
	if a == b {
		t.Error("the words are not part of the hash")
	}
	in := r.In(pseudo.Language)
	for _, w := range in.Vocabulary() {
		code := strings.HasPrefix(w.Key, "values.") || strings.HasPrefix(w.Key, "positions.")
		if text := w.Text; code != !strings.HasPrefix(text, "[") && w.Key != "points.metalwork.gas-pipe" {
			t.Errorf("%s is %q", w.Key, text)
		}
	}
	// A pattern says the words of its points; metalwork that only this job names keeps its own.
	for id, want := range map[string]string{"seen/metalwork.box": pseudo.Text("points.metalwork.box"), "seen/metalwork.gas-pipe": "gas pipe (metal)"} {
		s, _ := in.Step(id)
		if !strings.Contains(s.Say, want) || strings.ContainsAny(s.Say, "{}") {
			t.Errorf("%s says %q, without %q", id, s.Say, want)
		}
	}
	if s, _ := in.Step("off/switch-off-house"); !strings.Contains(s.Say, pseudo.Text("acts.switch-off-house")) {
		t.Errorf("the act says %q", s.Say)
	}
	if got := in.Display(method.Values, "yes"); got != pseudo.Text("yes") {
		t.Errorf("yes is shown as %q", got)
	}
	if got := in.Display(method.Answers, "unheard"); got != "unheard" {
		t.Errorf("a code without words is shown as %q", got)
	}
	if in.Facts[0].Values[0] != "yes" || in.Phases[0].ID != "a" {
		t.Error("a code or an id was translated")
	}
	if r.Title != "T" || r.In("cy") != r {
		t.Error("choosing a language changed the method")
	}
	if b, err := r.Encode(); err != nil {
		t.Error(err)
	} else if back, err := method.DecodeResolved(b); err != nil || back.In(pseudo.Language).Title != pseudo.Text("T") {
		t.Errorf("words are lost on the way: %v", err)
	}
}

func TestTranslationFaults(t *testing.T) {
	d := decode(t, tiny)
	whole := inPseudo(t, d)
	for _, c := range []struct {
		name   string
		change func(*method.Translation)
		want   string
	}{
		{"missing", func(x *method.Translation) { delete(x.Words, "steps.prove.say") }, "/words: the words for steps.prove.say are missing"},
		{"empty", func(x *method.Translation) { x.Words["title"] = "" }, "/words: the words for title are missing"},
		{"surplus", func(x *method.Translation) { x.Words["steps.proof.say"] = "x" }, `/words/steps.proof.say: nothing is said under "steps.proof.say"`},
		{"of a point that no position has", func(x *method.Translation) { x.Words["points.meter.q-in"] = "x" }, `nothing is said under "points.meter.q-in"`},
		{"of metalwork that a job names", func(x *method.Translation) { x.Words["points.metalwork.gas-pipe"] = "x" }, ""},
		{"place lost", func(x *method.Translation) { x.Words["steps.seen.say"] = "{at}?" }, "/words/steps.seen.say: {against} does not stand in both"},
		{"place that was not there", func(x *method.Translation) { x.Words["title"] = "{act}" }, "/words/title: {act} does not stand in both"},
		{"another edition", func(x *method.Translation) { x.Edition = "2" }, "the translation is of tiny edition 2, not of tiny edition 1"},
		{"no language", func(x *method.Translation) { x.Language = "Welsh" }, `/language: "Welsh" is no language`},
		{"its own language", func(x *method.Translation) { x.Language = "en" }, "/language: en is the language of the method itself"},
		{"too long", func(x *method.Translation) { x.Words["title"] = strings.Repeat("x", 2001) }, "/words/title: the text is too long"},
	} {
		tr := *whole
		tr.Words = maps.Clone(whole.Words)
		c.change(&tr)
		_, err := method.Resolve(d, nil, job, limits(t), &tr)
		if c.want == "" && err == nil {
			continue
		}
		if err == nil || !strings.Contains(err.Error(), c.want) || c.want == "" {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// The words that an overlay brings have a translation of their own.
func TestTranslationOfAnOverlay(t *testing.T) {
	d := decode(t, tiny)
	o, err := method.DecodeOverlay([]byte(`{"overlay":"o","edition":"1","title":"T","of":"tiny","changes":[
		{"add":{"after":"prove","steps":[{"id":"mat","phase":"a","say":"Where is the mat?","inspect":{"answers":["here","there"]}}]}}]}`))
	if err != nil {
		t.Fatal(err)
	}
	tr := &method.Translation{Of: "o", Edition: "1", Language: "fr", Words: map[string]string{"steps.mat.say": "Où est le tapis ?", "answers.here": "ici", "answers.there": "là"}}
	r, err := method.Resolve(d, []*method.Overlay{o}, job, limits(t), tr)
	if err != nil {
		t.Fatal(err)
	}
	in := r.In("fr")
	if s, _ := in.Step("mat"); s.Say != "Où est le tapis ?" || in.Display(method.Answers, "here") != "ici" || in.Title != "T" {
		t.Errorf("%q, %q, %q", s.Say, in.Display(method.Answers, "here"), in.Title)
	}
	delete(tr.Words, "answers.there")
	if _, err := method.Resolve(d, []*method.Overlay{o}, job, limits(t), tr); err == nil || !strings.Contains(err.Error(), "the words for answers.there are missing") {
		t.Errorf("got %v", err)
	}
}

// Any change of any one text of a resolved method is seen through In, under its key and no other.
func TestEveryKeyNamesItsText(t *testing.T) {
	r, err := method.Resolve(decode(t, tiny), nil, job, limits(t))
	if err != nil {
		t.Fatal(err)
	}
	words := r.Vocabulary()
	rapid.Check(t, func(t *rapid.T) {
		w := rapid.SampledFrom(words).Draw(t, "word")
		out := *r
		out.Translations = map[string]map[string]string{"fr": {w.Key: "Mot"}}
		in := out.In("fr")
		of, code, _ := strings.Cut(w.Key, ".")
		if of == "values" || of == "positions" {
			if in.Display(method.Codes(of), code) != "Mot" {
				t.Fatalf("%s is shown as %q", w.Key, in.Display(method.Codes(of), code))
			}
			return
		}
		for i, x := range in.Vocabulary() {
			if x.Key == w.Key && x.Text != "Mot" || x.Key != w.Key && x.Text != words[i].Text {
				t.Fatalf("with %s changed, %s is %q", w.Key, x.Key, x.Text)
			}
		}
	})
}

func TestRoleFaults(t *testing.T) {
	record := func(fields string) string {
		return strings.Replace(tiny, `"decide":{"fact":"reference"}`, `"record":{"fields":[`+fields+`]}`, 1)
	}
	stop := func(more string) string {
		return strings.Replace(tiny, `"owner":"distributor"`, `"owner":"supplier"`+more, 1)
	}
	for _, c := range []struct{ text, want string }{
		{record(`{"id":"a","words":"A","type":"reading"}`), "/steps/0/record/fields/0: a reading is of a register"},
		{record(`{"id":"a","words":"A","type":"text","role":"colour"}`), `/steps/0/record/fields/0/role: "colour" is no role of a field: write one of final-register,`},
		{record(`{"id":"a","words":"A","type":"text","role":"torque"}`), "/steps/0/record/fields/0/type: a field with the role torque is no text"},
		{record(`{"id":"a","words":"A","type":"reading","role":"final-register"},{"id":"b","words":"B","type":"reading","role":"final-register","direction":"import"}`),
			"/steps/0/record/fields/1/role: another field of this step has the role final-register"},
		{record(`{"id":"a","words":"A","type":"reading","role":"final-register"},{"id":"b","words":"B","type":"reading","role":"final-register","direction":"export"},{"id":"c","words":"C","type":"reading","role":"final-register","rate":"1"}`), ""},
		{record(`{"id":"a","words":"A","type":"text","rate":"1"}`), "/steps/0/record/fields/0: a rate or a direction belongs to a register"},
		{record(`{"id":"a","words":"A","type":"reading","role":"final-register","direction":"up"}`), `/steps/0/record/fields/0/direction: "up" is no direction`},
		{record(`{"id":"a","words":"A","type":"text","signed":true}`), "/steps/0/record/fields/0/signed: only a number has a sign"},
		{record(`{"id":"a","words":"A","type":"choice","role":"told","choices":["them"]}`), "/steps/0/record/fields/0: nothing says who was told"},
		{record(`{"id":"a","words":"A","type":"choice","role":"told","choices":["them"],"owners":{"us":"consumer"}}`), `/steps/0/record/fields/0/owners/us: "us" is no choice that tells an owner`},
		{record(`{"id":"a","words":"A","type":"choice","role":"told","choices":["them"],"owners":{"them":"landlord"}}`), `/steps/0/record/fields/0/owners/them: "landlord" is no owner`},
		{record(`{"id":"a","words":"A","type":"choice","role":"told","choices":["them"],"owners":{"them":"consumer"}}`), ""},
		{stop(""), "/stops/0: a stop that is the supplier's does not say whether the consumer may read of it"},
		{stop(`,"restricted":true`), ""},
		{stop(`,"role":"consent"`), ""},
		{stop(`,"role":"colour"`), `/stops/0/role: "colour" is no role of a stop`},
		{strings.Replace(tiny, `"owner":"distributor"`, `"owner":"landlord"`, 1), `/stops/0/owner: "landlord" is no owner`},
		{strings.Replace(tiny, `{"stop":"live"}`, `{"remark":"x","owner":"landlord"}`, 1), `/steps/2/unexpected/owner: "landlord" is no owner`},
		{strings.Replace(tiny, `"id":"decide",`, `"id":"decide","role":"colour",`, 1), `/steps/0/role: "colour" is no role of a step`},
		{strings.Replace(tiny, `"id":"decide",`, `"id":"decide","may":["sleep"],`, 1), `/steps/0/may/0: "sleep" is no way of leaving a step out`},
		{strings.Replace(tiny, `"id":"a","words"`, `"id":"a","role":"colour","words"`, 1), `/phases/0/role: "colour" is no role of a phase`},
		{strings.Replace(tiny, `"id":"reference","words"`, `"id":"reference","role":"colour","words"`, 1), `/facts/0/role: "colour" is no role of a fact`},
		{strings.Replace(tiny, `"language":"en"`, `"language":"English"`, 1), `/language: "English" is no language`},
	} {
		_, err := method.DecodeDocument([]byte(c.text))
		if c.want == "" {
			if err != nil {
				t.Errorf("%v", err)
			}
		} else if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v\nwant %s", err, c.want)
		}
	}
}

// An overlay that only tightens, and adds nothing that acts, takes nothing away; each thing
// that it relaxes is named once.
func TestTakenAwayIsWhatIsLess(t *testing.T) {
	d := decode(t, tiny)
	rapid.Check(t, func(t *rapid.T) {
		steps := []string{"seen", "volts", "off"}
		o := &method.Overlay{ID: "o", Edition: "1", Title: "T", Of: "tiny"}
		gloves, need, removed := true, true, false
		for range rapid.IntRange(1, 4).Draw(t, "changes") {
			switch rapid.IntRange(0, 4).Draw(t, "kind") {
			case 0:
				o.Changes = append(o.Changes, method.Change{Tighten: &method.Tighten{Steps: []string{rapid.SampledFrom(steps[2:]).Draw(t, "step")}, Protect: []string{"gloves"}}})
			case 1:
				o.Changes = append(o.Changes, method.Change{Tighten: &method.Tighten{Proof: "quiet", Lasts: 5}})
			case 2:
				gloves = false
				o.Changes = append(o.Changes, method.Change{Relax: &method.Relax{Steps: []string{"seen"}, Protect: []string{"gloves"}}})
			case 3:
				need = false
				o.Changes = append(o.Changes, method.Change{Relax: &method.Relax{Steps: []string{"off"}, Needs: []string{"quiet"}}})
			case 4:
				if !removed {
					removed = true
					o.Changes = append(o.Changes, method.Change{Relax: &method.Relax{Remove: []string{"volts"}}})
				}
			}
		}
		_, away, err := o.Apply(d)
		if err != nil {
			t.Fatal(err)
		}
		var want []method.Away
		if !gloves {
			want = append(want, method.Away{Overlay: "o", Kind: method.AwayProtection, Step: "seen", What: "gloves"})
		}
		if removed {
			want = append(want, method.Away{Overlay: "o", Kind: method.AwayStep, Step: "volts"})
		}
		if !need {
			want = append(want, method.Away{Overlay: "o", Kind: method.AwayNeed, Step: "off", What: "quiet"})
		}
		if !slices.Equal(away, want) {
			t.Fatalf("takes away %v, want %v", away, want)
		}
	})
}
