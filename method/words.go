package method

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"meterwright/site"
)

// Translation is the words of a method, or of an overlay, in another language. It
// stands beside them and names the edition that it is of.
//
// Each key names one text: title; facts.ID.words, and the same of protection, proofs
// and phases; stops.ID.title, .consumer and .do.1 to 3; steps.ID.say, .why and .remark;
// steps.ID.fields.FIELD.words. What a record holds stays as the method has it, and has
// words of its own for display: answers.TEXT, choices.TEXT and values.TEXT. The words
// of the position and of the rules are points.ID, switches.ID, acts.ID, positions.TEXT
// and limits.NAME; where one of these has no words, the method's stay.
type Translation struct {
	Of       string            `json:"translation"`
	Edition  string            `json:"edition"`
	Language string            `json:"language"`
	Words    map[string]string `json:"words"`
}

// Word is one text of a method under its key.
type Word struct {
	Key  string
	Text string
	// Pointer is the place of the text in a Document, and empty in a Resolved.
	Pointer string
}

// Codes are lists of texts that are recorded as the method has them.
type Codes string

// The lists of codes.
const (
	Answers   Codes = "answers"
	Choices   Codes = "choices"
	Values    Codes = "values"
	Positions Codes = "positions"
)

// wording is whatever has words, with what to call for each text.
type wording struct {
	title      *string
	facts      []Fact
	protection []Protection
	proofs     []Proof
	stops      []Stop
	phases     []Phase
	steps      []Step
	points     []site.Point
	switches   []site.Switch
	acts       []site.Act
	at         string
	text       func(key, pointer string, text *string)
}

// each calls w.text for every text; what it writes to a code is lost.
func (w *wording) each() {
	put := func(text *string, pointer, key string, args ...any) {
		if *text != "" {
			w.text(fmt.Sprintf(key, args...), w.at+pointer, text)
		}
	}
	codes := func(list []string, of Codes, pointer string) {
		for i, code := range list {
			put(&code, fmt.Sprintf("%s/%d", pointer, i), "%s.%s", of, code)
		}
	}
	if w.title != nil {
		put(w.title, "/title", "title")
	}
	for i := range w.facts {
		at := fmt.Sprintf("/facts/%d", i)
		put(&w.facts[i].Words, at+"/words", "facts.%s.words", w.facts[i].ID)
		codes(w.facts[i].Values, Values, at+"/values")
	}
	for i := range w.protection {
		put(&w.protection[i].Words, fmt.Sprintf("/protection/%d/words", i), "protection.%s.words", w.protection[i].ID)
	}
	for i := range w.proofs {
		put(&w.proofs[i].Words, fmt.Sprintf("/proofs/%d/words", i), "proofs.%s.words", w.proofs[i].ID)
	}
	for i := range w.stops {
		s := &w.stops[i]
		put(&s.Title, fmt.Sprintf("/stops/%d/title", i), "stops.%s.title", s.ID)
		for j := range s.Do {
			put(&s.Do[j], fmt.Sprintf("/stops/%d/do/%d", i, j), "stops.%s.do.%d", s.ID, j+1)
		}
		put(&s.Consumer, fmt.Sprintf("/stops/%d/consumer", i), "stops.%s.consumer", s.ID)
	}
	for i := range w.phases {
		put(&w.phases[i].Words, fmt.Sprintf("/phases/%d/words", i), "phases.%s.words", w.phases[i].ID)
	}
	for i := range w.steps {
		s, at := &w.steps[i], fmt.Sprintf("/steps/%d", i)
		put(&s.Say, at+"/say", "steps.%s.say", s.ID)
		put(&s.Why, at+"/why", "steps.%s.why", s.ID)
		if s.Unexpected != nil {
			put(&s.Unexpected.Remark, at+"/unexpected/remark", "steps.%s.remark", s.ID)
		}
		for j := range s.Otherwise {
			put(&s.Otherwise[j].Remark, fmt.Sprintf("%s/otherwise/%d/remark", at, j), "steps.%s.remark.%d", s.ID, j+1)
		}
		if s.Inspect != nil {
			codes(s.Inspect.Answers, Answers, at+"/inspect/answers")
		}
		if o := s.Observe; o != nil && o.Limit != "" {
			text := clone(&o.Limit) // in a document, since the words come with the rules
			if o.Bounds != nil {
				text = &o.Bounds.Words
			}
			put(text, at+"/observe/limit", "limits.%s", o.Limit)
		}
		if s.Record != nil {
			for j := range s.Record.Fields {
				f, here := &s.Record.Fields[j], fmt.Sprintf("%s/record/fields/%d", at, j)
				put(&f.Words, here+"/words", "steps.%s.fields.%s.words", s.ID, f.ID)
				codes(f.Choices, Choices, here+"/choices")
			}
		}
	}
	for i := range w.points {
		put(&w.points[i].Words, "", "points.%s", w.points[i].ID)
	}
	for i := range w.switches {
		s := &w.switches[i]
		put(&s.Words, "", "switches.%s", s.ID)
		codes([]string{string(s.Home), string(s.Away)}, Positions, "")
	}
	for i := range w.acts {
		put(&w.acts[i].Words, "", "acts.%s", w.acts[i].ID)
	}
}

// list gathers every text once, in the order of each.
func (w *wording) list() []Word {
	var all []Word
	seen := map[string]bool{}
	w.text = func(key, pointer string, text *string) {
		if !seen[key] {
			seen[key] = true
			all = append(all, Word{Key: key, Text: *text, Pointer: pointer})
		}
	}
	w.each()
	return all
}

// Vocabulary lists every text that a person reads, each key once. The words of the
// position and of the rules are not the document's, and not among them.
func (d *Document) Vocabulary() []Word {
	w := wording{title: &d.Title, facts: d.Facts, protection: d.Protection, proofs: d.Proofs, stops: d.Stops, phases: d.Phases, steps: d.Steps}
	return w.list()
}

// Vocabulary lists every text that the overlay brings.
func (o *Overlay) Vocabulary() []Word {
	var all []Word
	for i, c := range o.Changes {
		if c.Add != nil {
			w := wording{steps: c.Add.Steps, at: fmt.Sprintf("/changes/%d/add", i)}
			all = append(all, w.list()...)
		}
	}
	return all
}

// Vocabulary lists every text of the resolved method, each key once.
func (r *Resolved) Vocabulary() []Word { return r.wording().list() }

func (r *Resolved) wording() *wording {
	return &wording{title: &r.Title, facts: r.Facts, protection: r.Protection, proofs: r.Proofs, stops: r.Stops, phases: r.Phases, steps: r.Steps,
		points: r.Points, switches: r.Switches, acts: r.Acts}
}

// In returns the method with its words in a language; a text that has none keeps the
// method's own. Ids and codes stay, but the hash is of r, not of what In returns.
func (r *Resolved) In(language string) *Resolved {
	words := r.Translations[language]
	if words == nil {
		return r
	}
	out := r.deepWords()
	out.words = words
	w := out.wording()
	w.text = func(key, _ string, text *string) {
		if t, ok := words[key]; ok {
			*text = t
		}
	}
	w.each()
	for i := range out.Steps {
		out.sayWritten(&out.Steps[i], words)
	}
	return out
}

// sayWritten puts a step that stands for a pattern into the words of the written step.
func (r *Resolved) sayWritten(s *Step, words map[string]string) {
	written, _, _ := strings.Cut(s.ID, "/")
	put := func(key string, text *string) {
		if t, ok := words["steps."+written+"."+key]; ok && words["steps."+s.ID+"."+key] == "" && *text != "" {
			*text = t
		}
	}
	put("say", &s.Say)
	put("why", &s.Why)
	if s.Unexpected != nil {
		put("remark", &s.Unexpected.Remark)
	}
	for i := range s.Otherwise {
		put(fmt.Sprintf("remark.%d", i+1), &s.Otherwise[i].Remark)
	}
	var at, against, act string
	if s.Observe != nil {
		at, against = r.pointWords(s.Observe.At), r.pointWords(s.Observe.Against)
	}
	if a := named(r.Acts, s.Act, func(a *site.Act) string { return string(a.ID) }); a != nil {
		act = upperFirst(a.Words)
	}
	s.Say = fill(s.Say, at, against, act)
}

func (r *Resolved) pointWords(id string) string {
	if p := named(r.Points, id, func(p *site.Point) string { return string(p.ID) }); p != nil {
		return p.Words
	}
	return ""
}

// fill puts the words of points and of an act into what a step says.
func fill(say, at, against, act string) string {
	return strings.NewReplacer("{at}", at, "{against}", against, "{act}", act).Replace(say)
}

// deepWords copies r so far that its texts can be changed.
func (r *Resolved) deepWords() *Resolved {
	out := *r
	out.Facts, out.Protection, out.Proofs, out.Phases = slices.Clone(r.Facts), slices.Clone(r.Protection), slices.Clone(r.Proofs), slices.Clone(r.Phases)
	out.Stops, out.Steps = slices.Clone(r.Stops), slices.Clone(r.Steps)
	out.Points, out.Switches, out.Acts = slices.Clone(r.Points), slices.Clone(r.Switches), slices.Clone(r.Acts)
	for i := range out.Stops {
		out.Stops[i].Do = slices.Clone(out.Stops[i].Do)
	}
	for i := range out.Steps {
		s := &out.Steps[i]
		s.Unexpected, s.Otherwise = clone(s.Unexpected), slices.Clone(s.Otherwise)
		if s.Observe = clone(s.Observe); s.Observe != nil {
			s.Observe.Bounds = clone(s.Observe.Bounds)
		}
		if s.Record = clone(s.Record); s.Record != nil {
			s.Record.Fields = slices.Clone(s.Record.Fields)
		}
	}
	return &out
}

func clone[T any](p *T) *T {
	if p == nil {
		return nil
	}
	c := *p
	return &c
}

// Display returns the words for a code in the language that In chose; without words
// the code stands for itself.
func (r *Resolved) Display(of Codes, code string) string {
	if t, ok := r.words[string(of)+"."+code]; ok {
		return t
	}
	return code
}

var languageTag = regexp.MustCompile(`^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$`)

// maxWord is the longest text of a translation, in bytes.
const maxWord = 2000

// check reports everything wrong with a translation of a text with that vocabulary.
func (t *Translation) check(own string, vocabulary, position []Word) error {
	var v faultList
	if !languageTag.MatchString(t.Language) {
		v.add("/language", "write it as in RFC 5646, for example cy", "%q is no language", t.Language)
	} else if t.Language == own {
		v.add("/language", "name another", "%s is the language of the method itself", own)
	}
	known := map[string]string{}
	for _, w := range slices.Concat(vocabulary, position) {
		known[w.Key] = w.Text
		if t.Words[w.Key] == "" {
			v.add("/words", fmt.Sprintf("add %q, for %q", w.Key, w.Text), "the words for %s are missing", w.Key)
		}
	}
	for _, key := range sortedKeys(t.Words) {
		at := "/words/" + escape(key)
		text, ok := known[key]
		if !ok && !ofPosition(key) {
			v.add(at, "delete it, or check its spelling", "nothing is said under %q", key)
		}
		for _, p := range []string{"{at}", "{against}", "{act}"} {
			if strings.Contains(text, p) != strings.Contains(t.Words[key], p) && ok {
				v.add(at, "keep the same places as the method: "+text, "%s does not stand in both", p)
			}
		}
		if len(t.Words[key]) > maxWord {
			v.add(at, fmt.Sprintf("keep it under %d bytes", maxWord), "the text is too long")
		}
	}
	return v.list.orNil()
}

// ofPosition reports whether a key is of a unit or a metal part that a job names.
func ofPosition(key string) bool {
	named := []string{"points.metalwork.", "points.unit.", "switches.main.", "acts.switch-off-", "acts.switch-on-"}
	return slices.ContainsFunc(named, func(prefix string) bool { return strings.HasPrefix(key, prefix) })
}

// Check reports everything wrong with a translation of the document: a key that is
// missing or that nothing is said under, and places that are not kept. The error is a Faults.
func (d *Document) Check(t *Translation) error {
	if t.Of != d.ID || t.Edition != d.Edition {
		return wrongEdition(t, d.ID, d.Edition)
	}
	return t.check(d.Language, d.Vocabulary(), d.position())
}

// Check is Check of a Document for an overlay, whose own texts alone are translated.
func (o *Overlay) Check(t *Translation) error {
	if t.Of != o.ID || t.Edition != o.Edition {
		return wrongEdition(t, o.ID, o.Edition)
	}
	return t.check("", o.Vocabulary(), nil)
}

func wrongEdition(t *Translation, id, edition string) error {
	return Faults{{Pointer: "/translation", Problem: fmt.Sprintf("the translation is of %s edition %s, not of %s edition %s", t.Of, t.Edition, id, edition),
		Mend: "translate the edition that is used"}}
}

// position lists the words of the positions that the method is for, with the usual
// names of units and metalwork. A method for impossible positions has none.
func (d *Document) position() []Word {
	var w wording
	s := site.Spec{Phases: d.For.Phases, Metering: site.Metering(d.For.Metering), Switched: d.For.Phases == 1, Isolator: true, Reference: true}
	for _, s.Arrangement = range site.Arrangements() {
		for _, source := range site.Sources() {
			s.Sources = []site.Source{source}
			if st, err := site.Expand(s); err == nil {
				w.points, w.switches, w.acts = append(w.points, st.Points...), append(w.switches, st.Switches...), append(w.acts, st.Acts...)
			}
		}
	}
	return w.list()
}

// translate puts the translations that belong to a document or its overlays into r.
func (r *Resolved) translate(d *Document, overlays []*Overlay, translations []*Translation) error {
	for _, t := range translations {
		var err error
		if i := slices.IndexFunc(overlays, func(o *Overlay) bool { return o.ID == t.Of }); i >= 0 {
			err = overlays[i].Check(t)
		} else {
			err = d.Check(t)
		}
		if err != nil {
			return fmt.Errorf("translation of %s into %s: %w", t.Of, t.Language, err)
		}
		if r.Translations == nil {
			r.Translations = map[string]map[string]string{}
		}
		if r.Translations[t.Language] == nil {
			r.Translations[t.Language] = map[string]string{}
		}
		maps.Copy(r.Translations[t.Language], t.Words)
	}
	return nil
}

// DecodeTranslation reads a translation from JSON; it is checked against what it is of
// when it is applied. The error is a Faults.
func DecodeTranslation(b []byte) (*Translation, error) {
	var t Translation
	if err := decode(b, &t); err != nil {
		return nil, err
	}
	return &t, nil
}
