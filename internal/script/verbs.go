package script

import (
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"maps"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/visit"
)

// verb is one word that an entry can begin with. Exactly one of the functions is set.
type verb struct {
	// bare says that the word may stand alone.
	bare bool
	// body makes the event that the entry stands for.
	body func(r *Runner, e *Entry) (visit.Body, error)
	// does carries out an entry that is no event of its own.
	does func(r *Runner, e *Entry) error
}

// verbs is every word that an entry can begin with.
var verbs = map[string]verb{
	"took-up":    {body: tookUp},
	"checked":    {body: checked},
	"put-on":     {body: putOn},
	"took-off":   {body: tookOff},
	"proved":     {body: proved},
	"observed":   {body: observed},
	"inspected":  {body: inspected},
	"decided":    {body: decided},
	"recorded":   {body: recorded},
	"acted":      {body: acted},
	"left-out":   {body: leftOut},
	"returned":   {body: returned},
	"away":       {bare: true, body: away},
	"back":       {bare: true, body: func(*Runner, *Entry) (visit.Body, error) { return visit.CameBack{}, nil }},
	"correct":    {body: correct},
	"stopped":    {body: func(r *Runner, e *Entry) (visit.Body, error) { var b visit.Stopped; return filled(r, e, &b, &b.Why) }},
	"reported":   {body: whole[visit.Reported]},
	"resumed":    {body: words(func(s string) visit.Body { return visit.Resumed{Why: s} })},
	"defect":     {body: whole[visit.Defect]},
	"dependant":  {body: whole[visit.Dependant]},
	"noted":      {body: words(func(s string) visit.Body { return visit.Noted{Words: s} })},
	"answered":   {body: answered},
	"ended":      {body: whole[visit.Ended]},
	"supplement": {body: words(func(s string) visit.Body { return visit.Supplement{Words: s} })},
	"go-on":      {bare: true, does: (*Runner).goOn},
	"restart":    {bare: true, does: (*Runner).restart},
	"hand-over":  {does: (*Runner).handOver},
}

func verbNames() []string { return slices.Sorted(maps.Keys(verbs)) }

func bareVerbs() []string {
	return slices.DeleteFunc(verbNames(), func(v string) bool { return !verbs[v].bare })
}

// at is the pointer of the entry's body.
func (e *Entry) at() string { return e.pointer + "/" + e.Verb }

func (r *Runner) bad(e *Entry, mend, format string, args ...any) error {
	return r.Script.doc.Errorf(e.at(), mend, format, args...)
}

// short returns the body when it is a text.
func (e *Entry) short() (string, bool) {
	var s string
	if e.body.Kind() != '"' || json.Unmarshal(e.body, &s) != nil {
		return "", false
	}
	return s, true
}

func decode[T any](r *Runner, e *Entry) (T, error) {
	var v T
	err := r.Script.doc.DecodePart(e.at(), &v)
	return v, err
}

// whole reads a body that has no short form.
func whole[T visit.Body](r *Runner, e *Entry) (visit.Body, error) {
	return filled(r, e, new(T), nil)
}

// filled reads a body into b, which holds what an entry may leave out. Words alone go to short,
// where there is one.
func filled[T visit.Body](r *Runner, e *Entry, b *T, short *string) (visit.Body, error) {
	if s, ok := e.short(); ok && short != nil {
		*short = s
		return *b, nil
	}
	err := r.Script.doc.DecodePart(e.at(), b)
	return *b, err
}

// words reads a body that is words alone.
func words(body func(string) visit.Body) func(*Runner, *Entry) (visit.Body, error) {
	return func(r *Runner, e *Entry) (visit.Body, error) {
		s, ok := e.short()
		if !ok || s == "" {
			return nil, r.bad(e, "write what was said", "%s needs words", e.Verb)
		}
		return body(s), nil
	}
}

func (e *Entry) entered() visit.Entry {
	if e.Happened == "" {
		return visit.Entry{}
	}
	return visit.Entry{Entered: "after", Happened: e.Happened}
}

func tookUp(r *Runner, e *Entry) (visit.Body, error) {
	b := visit.TookUp{Entry: e.entered()}
	s, ok := e.short()
	if !ok {
		var err error
		b.Instrument, err = decode[visit.Instrument](r, e)
		return b, err
	}
	kind, id, _ := strings.Cut(s, " ")
	t, ok := r.Job.Kit.Tool(instrument.Kind(kind), id)
	if !ok {
		return nil, r.bad(e, "name a kind and a number of the job's kit, or write kind, id and calibration_due", "the kit has no %s", s)
	}
	b.Instrument = visit.Instrument{Kind: t.Kind, ID: t.ID, Due: t.Due, Leads: t.Leads}
	return b, nil
}

func checked(r *Runner, e *Entry) (visit.Body, error) {
	s, ok := e.short()
	if !ok {
		return filled(r, e, &visit.Checked{Entry: e.entered()}, nil)
	}
	item, found, _ := strings.Cut(s, " ")
	id, last, two := strings.Cut(found, " ")
	if two {
		found = last
	} else {
		id = ""
	}
	b := visit.Checked{Item: item, ID: id, Found: found, Entry: e.entered()}
	if w, ok := r.Job.Kit.Wear(item, id); ok {
		b.ID, b.Due = w.ID, w.Due
	}
	return b, nil
}

// items reads one name or a list of names.
func (r *Runner) items(e *Entry) ([]string, error) {
	if s, ok := e.short(); ok {
		return []string{s}, nil
	}
	return decode[[]string](r, e)
}

func putOn(r *Runner, e *Entry) (visit.Body, error) {
	items, err := r.items(e)
	return visit.PutOn{Items: items, Entry: e.entered()}, err
}

func tookOff(r *Runner, e *Entry) (visit.Body, error) {
	if e.body.Kind() == '{' {
		return filled(r, e, &visit.TookOff{Entry: e.entered()}, nil)
	}
	items, err := r.items(e)
	return visit.TookOff{Items: items, Entry: e.entered()}, err
}

// proved reads "KIND on SOURCE shows WHAT", or the whole body.
func proved(r *Runner, e *Entry) (visit.Body, error) {
	s, ok := e.short()
	if !ok {
		return filled(r, e, &visit.Proved{Entry: e.entered()}, nil)
	}
	left, what, ok := strings.Cut(s, " shows ")
	kind, source, ok2 := strings.Cut(left, " on ")
	if !ok || !ok2 {
		return nil, r.bad(e, "write it like: two-pole-detector on proving-unit shows lit", "this does not say what was proved on what, and what it showed")
	}
	shows, err := instrument.ParseIndication(what)
	if err != nil {
		return nil, r.bad(e, "", "%s", err)
	}
	b := visit.Proved{Kind: instrument.Kind(kind), ID: r.inHand(instrument.Kind(kind)), Shows: shows, Entry: e.entered()}
	b.Source.Kind = instrument.SourceKind(source)
	if t, ok := r.Job.Kit.Tool(b.Kind, b.ID); ok && t.ProvedOn.Kind == b.Source.Kind {
		b.Source = visit.ProvingSource{Kind: t.ProvedOn.Kind, ID: t.ProvedOn.ID, Nominal: t.ProvedOn.Nominal}
	}
	return b, nil
}

// observed reads "WHAT", "STEP shows WHAT" or the whole body.
func observed(r *Runner, e *Entry) (visit.Body, error) {
	b := visit.Observed{Step: r.inTurn(), Entry: e.entered()}
	s, ok := e.short()
	if !ok {
		return filled(r, e, &b, nil)
	}
	if step, what, ok := strings.Cut(s, " shows "); ok {
		b.Step, s = step, what
	}
	var err error
	if b.Shows, err = instrument.ParseIndication(s); err != nil {
		return nil, r.bad(e, "", "%s", err)
	}
	return b, nil
}

func inspected(r *Runner, e *Entry) (visit.Body, error) {
	b := visit.Inspected{Step: r.inTurn(), Entry: e.entered()}
	return filled(r, e, &b, &b.Answer)
}

func decided(r *Runner, e *Entry) (visit.Body, error) {
	b := visit.Decided{Step: r.inTurn(), Entry: e.entered()}
	return filled(r, e, &b, &b.Value)
}

// recorded reads {FIELD: VALUE, …}, or {step: STEP, entries: {…}}. The value of a photograph
// is the name of a file beside the script, or stand-in.
func recorded(r *Runner, e *Entry) (visit.Body, error) {
	step := r.inTurn()
	var fields map[string]string
	var parts map[string]jsontext.Value
	if e.body.Kind() != '{' || json.Unmarshal(e.body, &parts) != nil {
		return nil, r.bad(e, "write {FIELD: VALUE}", "this is no set of fields")
	}
	if _, long := parts["entries"]; long {
		b, err := decode[struct {
			Step    string            `json:"step"`
			Entries map[string]string `json:"entries"`
		}](r, e)
		if err != nil {
			return nil, err
		}
		if fields = b.Entries; b.Step != "" {
			step = b.Step
		}
	} else {
		var err error
		if fields, err = decode[map[string]string](r, e); err != nil {
			return nil, err
		}
	}
	b := visit.Recorded{Step: step, Entries: map[string]string{}, Entry: e.entered()}
	for _, field := range slices.Sorted(maps.Keys(fields)) {
		if !r.isPhotograph(step, field) {
			b.Entries[field] = fields[field]
			continue
		}
		ref, err := r.photograph(fields[field])
		if err != nil {
			return nil, r.bad(e, "", "photograph %.40s: %s", field, err)
		}
		if b.Photographs == nil {
			b.Photographs = map[string]visit.Attachment{}
		}
		b.Photographs[field] = ref
	}
	return b, nil
}

func acted(r *Runner, e *Entry) (visit.Body, error) {
	b := visit.Acted{Entry: e.entered()}
	return filled(r, e, &b, (*string)(&b.Act))
}

func leftOut(r *Runner, e *Entry) (visit.Body, error) {
	return filled(r, e, &visit.LeftOut{Step: r.inTurn(), Entry: e.entered()}, nil)
}

func returned(r *Runner, e *Entry) (visit.Body, error) {
	if s, ok := e.short(); ok {
		return visit.Returned{Step: r.written(s)}, nil
	}
	b, err := decode[visit.Returned](r, e)
	b.Step = r.written(b.Step)
	return b, err
}

func away(r *Runner, e *Entry) (visit.Body, error) {
	if e.body == nil {
		return visit.WentAway{}, nil
	}
	s, ok := e.short()
	if !ok {
		return nil, r.bad(e, "write why, or away alone", "this does not say why")
	}
	return visit.WentAway{Why: s}, nil
}

// correct names what it corrects by step, by kind of instrument proved, or by label.
func correct(r *Runner, e *Entry) (visit.Body, error) {
	b, err := decode[struct {
		Step    string            `json:"step"`
		Proving string            `json:"proving"`
		Of      string            `json:"of"`
		Reason  string            `json:"reason"`
		Now     string            `json:"now"`
		Entries map[string]string `json:"entries"`
		Why     string            `json:"why"`
	}](r, e)
	if err != nil {
		return nil, err
	}
	given, key := 0, ""
	for _, k := range []string{"step " + b.Step, "proving " + b.Proving, "label " + b.Of} {
		if !strings.HasSuffix(k, " ") {
			given, key = given+1, k
		}
	}
	if given != 1 {
		return nil, r.bad(e, "give exactly one of step, proving and of", "it is not clear what is corrected")
	}
	hash, ok := r.answers[key]
	if !ok {
		return nil, r.bad(e, "name something that was entered before", "nothing was entered for %.40s", key)
	}
	return visit.Corrected{Event: hash, Reason: visit.CorrectionReason(b.Reason), Now: b.Now, Entries: b.Entries, Why: b.Why}, nil
}

// remember keeps what a later correction may name.
func (r *Runner) remember(e *Entry, body visit.Body, hash string) {
	switch b := body.(type) {
	case visit.Observed:
		r.answers["step "+b.Step] = hash
	case visit.Inspected:
		r.answers["step "+b.Step] = hash
	case visit.Decided:
		r.answers["step "+b.Step] = hash
	case visit.Recorded:
		r.answers["step "+b.Step] = hash
	case visit.Proved:
		r.answers["proving "+string(b.Kind)] = hash
	}
	if e.Label != "" {
		r.answers["label "+e.Label] = hash
	}
}

// answered reads "follow" or the whole answer, to the advice that was given last.
func answered(r *Runner, e *Entry) (visit.Body, error) {
	var b visit.Answered
	if s, ok := e.short(); ok {
		b.Answer = s
	} else {
		given, err := decode[struct {
			Answer string `json:"answer"`
			Why    string `json:"why"`
		}](r, e)
		if err != nil {
			return nil, err
		}
		b.Answer, b.Why = given.Answer, given.Why
	}
	list := r.visit.Account().Advice
	if len(list) == 0 {
		return nil, r.bad(e, "carry the script out with --advise, and answer after a reading", "no advice was given that could be answered")
	}
	b.Advice = list[len(list)-1].Event
	return b, nil
}

// handOver begins the chain of another device.
func (r *Runner) handOver(e *Entry) error {
	b, err := decode[struct {
		Person string `json:"person"`
		Device string `json:"device"`
	}](r, e)
	if err != nil {
		return err
	}
	if !identifier(b.Device) || b.Person == "" {
		return r.bad(e, "write {person: op-2, device: van-8}", "a hand-over needs a person and a device")
	}
	if slices.Contains(r.devices, b.Device) {
		return r.bad(e, "name a device that has not had the visit yet", "the device %s has had the visit before", b.Device)
	}
	return r.takeOver(e, b.Person, b.Device)
}

func (r *Runner) restart(e *Entry) error {
	r.boots++
	r.booted = r.now
	r.Tell(Told{At: r.now, Aside: Restarted, Words: r.device})
	return nil
}
