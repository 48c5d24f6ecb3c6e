package method

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"meterwright/instrument"
)

// faultList gathers faults with their places.
type faultList struct{ list Faults }

func (f *faultList) add(pointer, mend, format string, args ...any) {
	f.list = append(f.list, Fault{Pointer: pointer, Problem: fmt.Sprintf(format, args...), Mend: mend})
}

const maxSteps = 400

// Validate reports everything wrong with the document that can be seen without
// a site. The error is a Faults.
func (d *Document) Validate() error {
	v := &docCheck{d: d}
	v.head()
	v.lists()
	v.roles()
	v.steps()
	return v.orNil()
}

type docCheck struct {
	faultList
	d *Document
}

func (v *docCheck) orNil() error { return v.list.orNil() }

func (v *docCheck) head() {
	d := v.d
	if !validID(d.ID) {
		v.add("/method", "use lower-case letters, digits and hyphens", "%q is no name for a method", d.ID)
	}
	if d.Edition == "" {
		v.add("/edition", "give an edition, for example \"1\"", "the edition is missing")
	}
	if d.Title == "" {
		v.add("/title", "give the method a title", "the title is missing")
	}
	if !languageTag.MatchString(d.Language) {
		v.add("/language", "write it as in RFC 5646, for example en", "%q is no language", d.Language)
	}
	if d.For.Phases != 1 && d.For.Phases != 3 {
		v.add("/for/phases", "write 1 or 3", "%d phases are not possible", d.For.Phases)
	}
	if d.For.Metering != "whole-current" && d.For.Metering != "ct-operated" {
		v.add("/for/metering", "write whole-current or ct-operated", "%q is not known", d.For.Metering)
	}
	if len(d.Steps) == 0 {
		v.add("/steps", "write at least one step", "there are no steps")
	}
	if len(d.Steps) > maxSteps {
		v.add("/steps", fmt.Sprintf("keep it under %d", maxSteps), "%d steps are too many", len(d.Steps))
	}
}

// ids checks that each id of a list is well formed and stands once.
func (v *docCheck) ids(list string, n, max int, id func(int) string) {
	seen := map[string]bool{}
	if n > max {
		v.add("/"+list, fmt.Sprintf("keep it to %d", max), "%d entries are too many", n)
	}
	for i := range n {
		at := fmt.Sprintf("/%s/%d/id", list, i)
		if !validID(id(i)) {
			v.add(at, "use lower-case letters, digits, hyphens and dots", "%q is no name", id(i))
		} else if seen[id(i)] {
			v.add(at, "name each once", "%q stands twice", id(i))
		}
		seen[id(i)] = true
	}
}

func (v *docCheck) lists() {
	d := v.d
	v.ids("facts", len(d.Facts), MaxFacts, func(i int) string { return d.Facts[i].ID })
	v.ids("protection", len(d.Protection), MaxProtection, func(i int) string { return d.Protection[i].ID })
	v.ids("proofs", len(d.Proofs), MaxProofs, func(i int) string { return d.Proofs[i].ID })
	v.ids("stops", len(d.Stops), MaxStops, func(i int) string { return d.Stops[i].ID })
	v.ids("phases", len(d.Phases), 40, func(i int) string { return d.Phases[i].ID })
	v.ids("steps", len(d.Steps), maxSteps, func(i int) string { return d.Steps[i].ID })
	for i, f := range d.Facts {
		at := fmt.Sprintf("/facts/%d", i)
		if len(f.Values) < 2 || len(f.Values) > 6 {
			v.add(at+"/values", "give two to six values", "a fact with %d values decides nothing", len(f.Values))
		}
		if f.Begins != "" && !slices.Contains(f.Values, f.Begins) {
			v.add(at+"/begins", "write "+strings.Join(f.Values, " or "), "%q is no value of %s", f.Begins, f.ID)
		}
		for j, x := range f.Unfinished {
			if !slices.Contains(f.Values, x) {
				v.add(fmt.Sprintf("%s/unfinished/%d", at, j), "write "+strings.Join(f.Values, " or "), "%q is no value of %s", x, f.ID)
			}
		}
	}
	for i, p := range d.Proofs {
		at := fmt.Sprintf("/proofs/%d", i)
		for j, c := range p.Undone {
			if !slices.Contains(Causes(), c) {
				v.add(fmt.Sprintf("%s/undone/%d", at, j), "write "+joinWords(Causes()), "%q is no cause", c)
			}
		}
		if p.Lasts < 0 || p.Lasts > 24*60 {
			v.add(at+"/lasts_minutes", "write 1 to 1440, or leave it out", "%d minutes are out of range", p.Lasts)
		}
		if !slices.ContainsFunc(d.Steps, func(s Step) bool { return slices.Contains(s.Supports, p.ID) }) {
			v.add(at, "add a step that supports it, or delete it", "no step supports the proof %q", p.ID)
		}
	}
	for i, s := range d.Stops {
		at := fmt.Sprintf("/stops/%d", i)
		if s.Title == "" {
			v.add(at+"/title", "say what was found", "the title is missing")
		}
		if len(s.Do) == 0 || len(s.Do) > 3 {
			v.add(at+"/do", "give one to three", "%d things to do", len(s.Do))
		}
		if (s.Scheme == "") != (s.Category == "") {
			v.add(at+"/category", "give scheme and category together", "a category without its scheme can be misread")
		}
		if s.Resume != "" && !v.hasStep(s.Resume) {
			v.add(at+"/resume", "name a step of this method", "there is no step %q", s.Resume)
		}
		if len(s.Sets) > 0 && s.Resume == "" {
			v.add(at+"/sets", "say under resume where work goes on", "the stop ends the visit, so that nothing follows from what it sets")
		}
		for _, f := range sortedKeys(s.Sets) {
			k := slices.IndexFunc(d.Facts, func(x Fact) bool { return x.ID == f })
			if k < 0 || !slices.Contains(d.Facts[k].Values, s.Sets[f]) {
				v.add(at+"/sets/"+escape(f), "name a fact of this method with one of its values", "%s: %s is nothing that this method knows", f, s.Sets[f])
			}
		}
	}
	for i, m := range d.MakeSafe {
		v.protection(fmt.Sprintf("/make_safe/%d/protect", i), m.Protect)
	}
	for i, p := range d.Phases {
		v.when(fmt.Sprintf("/phases/%d/when", i), p.When)
		for j, e := range p.Entry {
			if e != "live" && e != "after" {
				v.add(fmt.Sprintf("/phases/%d/entry/%d", i, j), "write live or after", "%q is no way of entry", e)
			}
		}
	}
}

func (v *docCheck) hasStep(id string) bool {
	return slices.ContainsFunc(v.d.Steps, func(s Step) bool { return s.ID == id })
}

func (v *docCheck) protection(at string, items []string) {
	for j, it := range items {
		if !slices.ContainsFunc(v.d.Protection, func(p Protection) bool { return p.ID == it }) {
			v.add(fmt.Sprintf("%s/%d", at, j), "name one of the list protection", "%q is no protection of this method", it)
		}
	}
}

func (v *docCheck) proof(at string, ids []string) {
	for j, id := range ids {
		if !slices.ContainsFunc(v.d.Proofs, func(p Proof) bool { return p.ID == id }) {
			v.add(fmt.Sprintf("%s/%d", at, j), "name one of the list proofs", "%q is no proof of this method", id)
		}
	}
}

func (v *docCheck) steps() {
	for i := range v.d.Steps {
		v.step(fmt.Sprintf("/steps/%d", i), &v.d.Steps[i])
	}
	// A proof that is needed before anything supports it can never hold.
	supported := map[string]bool{}
	for i, s := range v.d.Steps {
		for j, n := range s.Needs {
			if !supported[n] {
				v.add(fmt.Sprintf("/steps/%d/needs/%d", i, j), "put the steps that support it first", "nothing before this step supports %q", n)
			}
		}
		for _, p := range s.Supports {
			supported[p] = true
		}
	}
	v.list = append(v.list, checkSheets(v.d.Steps)...)
}

func (v *docCheck) step(at string, s *Step) {
	d := v.d
	if s.Say == "" {
		v.add(at+"/say", "write the sentence that the person reads", "the step says nothing")
	}
	if !slices.ContainsFunc(d.Phases, func(p Phase) bool { return p.ID == s.Phase }) {
		v.add(at+"/phase", "name one of the list phases", "%q is no phase of this method", s.Phase)
	}
	v.protection(at+"/protect", s.Protect)
	v.proof(at+"/needs", s.Needs)
	v.proof(at+"/supports", s.Supports)
	if len(s.Supports) > 0 && s.Observe == nil && s.Inspect == nil {
		v.add(at+"/supports", "move it to an observation or an inspection", "only what is seen can support a proof")
	}
	v.when(at+"/when", s.When)
	if n := s.kinds(); len(n) != 1 {
		v.add(at, "give exactly one of take_up, check, put_on, take_off, prove, observe, inspect, decide, record, act", "the step does %d things (%s)", len(n), strings.Join(n, ", "))
	}
	if s.Unexpected != nil {
		v.unexpected(at+"/unexpected", s.Unexpected)
	}
	v.otherwise(at, s)
	v.doing(at, s)
}

func (v *docCheck) when(at string, when map[string][]string) {
	for _, f := range sortedKeys(when) {
		values := when[f]
		here := at + "/" + escape(f)
		known := knownStatic(f)
		for _, fact := range v.d.Facts {
			if fact.ID == f {
				known = fact.Values
			}
		}
		if known == nil {
			v.add(here, "use a fact of this method or of the job: "+strings.Join(StaticFacts(), ", "), "%q is no fact", f)
			continue
		}
		for _, val := range values {
			if !slices.Contains(known, val) {
				v.add(here, "write "+strings.Join(known, " or "), "%q is no value of %s", val, f)
			}
		}
		if len(values) == 0 {
			v.add(here, "give at least one value", "the list is empty, so that it never applies")
		}
	}
}

// otherwise checks what each kind of unexpected answer leads to.
func (v *docCheck) otherwise(at string, s *Step) {
	if len(s.Otherwise) > MaxOtherwise {
		v.add(at+"/otherwise", fmt.Sprintf("keep it to %d", MaxOtherwise), "%d entries are too many", len(s.Otherwise))
	}
	if len(s.Otherwise) > 0 && s.Observe == nil && s.Inspect == nil {
		v.add(at+"/otherwise", "use unexpected", "only an observation or an inspection has several answers")
		return
	}
	for i := range s.Otherwise {
		o, here := &s.Otherwise[i], fmt.Sprintf("%s/otherwise/%d", at, i)
		v.unexpected(here, &o.Unexpected)
		v.when(here+"/when", o.When)
		key, _ := o.limit()
		if key == "" && len(o.Answers) == 0 && len(o.When) == 0 {
			v.add(here, "give answers, within, below, above or when, or write it under unexpected", "it says nothing of the answer")
		}
		n := 0
		for _, name := range []string{o.Within, o.Below, o.Above} {
			if name != "" {
				n++
			}
		}
		if n > 1 || n == 1 && len(o.Answers) > 0 {
			v.add(here, "write two entries", "an answer is one of a list, or a value at one limit")
		}
		if o.Counts && (o.Stop != "" || key == "" && s.Inspect == nil) {
			v.add(here+"/counts", "delete it", "only a remark on a number or on an answer to a question leaves a proof standing")
		}
		if o.Counts && len(o.When) > 0 {
			v.add(here+"/when", "delete it, or counts", "what counts for a proof hangs on the answer alone")
		}
		if key != "" && (s.Observe == nil || s.Observe.Limit == "") {
			v.add(here+"/"+key, "give answers", "the step reads no number against a limit")
		}
		if o.Bounds != nil {
			v.add(here+"/bounds", "delete it and name a limit", "bounds come from the rules and are not written by hand")
		}
		for j, a := range o.Answers {
			if !slices.Contains(s.otherAnswers(), a) {
				v.add(fmt.Sprintf("%s/answers/%d", here, j), "write "+strings.Join(s.otherAnswers(), " or "), "%q is no answer that is not expected", a)
			}
		}
	}
}

// otherAnswers lists the answers that are not expected, numbers apart.
func (s *Step) otherAnswers() []string {
	var list []string
	switch {
	case s.Inspect != nil && s.Inspect.Expect != "":
		list = slices.Clone(s.Inspect.Answers)
		list = slices.DeleteFunc(list, func(a string) bool { return a == s.Inspect.Expect })
	case s.Observe != nil:
		m, _ := instrument.Lookup(instrument.Kind(s.Observe.With))
		for _, x := range m.Shows {
			if x != instrument.Value && string(x) != s.Observe.Expect {
				list = append(list, string(x))
			}
		}
	}
	return list
}

func (v *docCheck) unexpected(at string, u *Unexpected) {
	if u.Owner != "" {
		v.owner(at+"/owner", u.Owner)
	}
	if u.Stop != "" && !slices.ContainsFunc(v.d.Stops, func(x Stop) bool { return x.ID == u.Stop }) {
		v.add(at+"/stop", "name one of the list stops", "%q is no stop of this method", u.Stop)
	}
	if (u.Stop == "") == (u.Remark == "") {
		v.add(at, "give a stop or a remark", "an unexpected answer leads to exactly one of them")
	}
	if (u.Scheme == "") != (u.Category == "") {
		v.add(at+"/category", "give scheme and category together", "a category without its scheme can be misread")
	}
}

func (v *docCheck) doing(at string, s *Step) {
	kind := func(at, k string) (instrument.Model, bool) {
		m, ok := instrument.Lookup(instrument.Kind(k))
		if !ok {
			v.add(at, "write one of "+joinWords(kindNames()), "%q is no kind of instrument", k)
		}
		return m, ok
	}
	switch {
	case s.TakeUp != nil:
		if (s.TakeUp.With == "") == (len(s.TakeUp.Kit) == 0) {
			v.add(at+"/take_up", "give with or kit", "it is not clear what is taken up")
		}
		for _, k := range slices.Concat(s.TakeUp.Kinds(), s.TakeUp.Also) {
			kind(at+"/take_up", k)
		}
	case s.Check != nil:
		v.protection(at+"/check/item", []string{s.Check.Item})
	case s.PutOn != nil:
		v.protection(at+"/put_on", s.PutOn)
	case s.TakeOff != nil:
		v.protection(at+"/take_off", s.TakeOff)
	case s.Prove != nil:
		m, ok := kind(at+"/prove/with", s.Prove.With)
		for j, src := range s.Prove.On {
			if ok && !slices.Contains(m.ProvedOn, instrument.SourceKind(src)) {
				v.add(fmt.Sprintf("%s/prove/on/%d", at, j), "write one of "+joinWords(m.ProvedOn), "a %s cannot be proved on %q", m.Words, src)
			}
		}
	case s.Observe != nil:
		o := s.Observe
		m, ok := kind(at+"/observe/with", o.With)
		if (o.Expect == "") == (o.Limit == "") {
			v.add(at+"/observe", "give expect or limit", "an observation expects exactly one of them")
		}
		if ok && o.Expect != "" {
			if err := m.Allows(instrument.Shows(o.Expect)); err != nil {
				v.add(at+"/observe/expect", "choose one of these", "%s", err)
			}
		}
		if ok && o.Limit != "" && m.Unit == "" {
			v.add(at+"/observe/limit", "use expect", "a %s shows no number", m.Words)
		}
		if o.Bounds != nil {
			v.add(at+"/observe/bounds", "delete it and name a limit", "bounds come from the rules and are not written by hand")
		}
		if o.At == "" || o.Against == "" && ok && !readsAlone(m.Kind) {
			v.add(at+"/observe", "say at and against", "an observation is at a point against another")
		}
	case s.Inspect != nil:
		a := s.Inspect
		if len(a.Answers) < 2 || len(a.Answers) > 6 {
			v.add(at+"/inspect/answers", "give two to six", "a question with %d answers asks nothing", len(a.Answers))
		}
		if a.Expect != "" && !slices.Contains(a.Answers, a.Expect) {
			v.add(at+"/inspect/expect", "write one of the answers", "%q is not among the answers", a.Expect)
		}
		if len(s.Supports) > 0 && a.Expect == "" {
			v.add(at+"/inspect/expect", "say which answer is expected", "an answer that nobody expects can support nothing")
		}
	case s.Decide != nil:
		if !slices.ContainsFunc(v.d.Facts, func(f Fact) bool { return f.ID == s.Decide.Fact }) {
			v.add(at+"/decide/fact", "name one of the list facts", "%q is no fact of this method", s.Decide.Fact)
		}
	case s.Record != nil:
		for j, f := range s.Record.Fields {
			here := fmt.Sprintf("%s/record/fields/%d", at, j)
			if !validID(f.ID) {
				v.add(here+"/id", "use lower-case letters, digits and hyphens", "%q is no name", f.ID)
			}
			if !slices.Contains([]string{"text", "number", "reading", "photograph", "choice"}, f.Type) {
				v.add(here+"/type", "write text, number, reading, photograph or choice", "%q is no type of entry", f.Type)
			}
			if (f.Type == "choice") != (len(f.Choices) > 0) {
				v.add(here+"/choices", "list what can be chosen, for a choice only", "the choices do not fit the type")
			}
		}
		if len(s.Record.Fields) == 0 {
			v.add(at+"/record/fields", "list at least one", "nothing is recorded")
		}
	}
}

// readsAlone reports whether an instrument of that kind is applied at one place
// and needs no reference: plugged in, clamped on, or joined to every phase.
func readsAlone(k instrument.Kind) bool {
	return k == instrument.SocketTester || k == instrument.Clamp || k == instrument.PhaseSequence
}

// kinds returns the names of the things that the step does.
func (s *Step) kinds() []string {
	var k []string
	add := func(set bool, name string) {
		if set {
			k = append(k, name)
		}
	}
	add(s.TakeUp != nil, "take_up")
	add(s.Check != nil, "check")
	add(s.PutOn != nil, "put_on")
	add(s.TakeOff != nil, "take_off")
	add(s.Prove != nil, "prove")
	add(s.Observe != nil, "observe")
	add(s.Inspect != nil, "inspect")
	add(s.Decide != nil, "decide")
	add(s.Record != nil, "record")
	add(s.Act != "", "act")
	return k
}

// Does names what the step does: one of take_up, check, put_on, take_off,
// prove, observe, inspect, decide, record, act.
func (s *Step) Does() string {
	if k := s.kinds(); len(k) == 1 {
		return k[0]
	}
	return ""
}

func (o *Overlay) validate() error {
	var v faultList
	if !validID(o.ID) {
		v.add("/overlay", "use lower-case letters, digits and hyphens", "%q is no name for an overlay", o.ID)
	}
	if o.Edition == "" {
		v.add("/edition", "give an edition, for example \"1\"", "the edition is missing")
	}
	if !validID(o.Of) {
		v.add("/of", "name the method that it changes", "%q is no name of a method", o.Of)
	}
	if len(o.Changes) == 0 {
		v.add("/changes", "list at least one change", "the overlay changes nothing")
	}
	for i, c := range o.Changes {
		n := 0
		for _, set := range []bool{c.Add != nil, c.Move != nil, c.Tighten != nil, c.Relax != nil} {
			if set {
				n++
			}
		}
		if n != 1 {
			v.add(fmt.Sprintf("/changes/%d", i), "give exactly one of add, move, tighten, relax", "the change does %d things", n)
		}
	}
	return v.list.orNil()
}

func validID(s string) bool { return idForm.MatchString(s) }

var idForm = regexp.MustCompile(`^[a-z][a-z0-9.-]{0,63}$`)

func kindNames() []instrument.Kind {
	var k []instrument.Kind
	for _, m := range instrument.Models() {
		k = append(k, m.Kind)
	}
	return k
}

func joinWords[T ~string](list []T) string {
	words := make([]string, len(list))
	for i, w := range list {
		words[i] = string(w)
	}
	return strings.Join(words, ", ")
}

func escape(s string) string {
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(s)
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
