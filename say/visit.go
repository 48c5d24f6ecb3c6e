package say

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/rules"
	"meterwright/site"
	"meterwright/visit"
)

// Speaker words what a visit by one method holds. Ids that the method does not have are said as they
// are. It may be used by several goroutines at once.
type Speaker struct {
	*Language
	m *method.Resolved
	// departures are found when they are first asked for.
	departures func() map[string]string
}

// Of returns the speaker for a method in this language; what the method has no words for in it stays as it is.
func (l *Language) Of(m *method.Resolved) *Speaker {
	return &Speaker{Language: l, m: m.In(l.Tag), departures: once(func() map[string]string {
		words := map[string]string{}
		if s, err := site.Expand(m.Claims); err == nil {
			for _, d := range s.Departures() {
				words[d.ID] = d.Words
			}
		}
		return words
	})}
}

// At returns the speaker for a position that no method is carried out at.
func (l *Language) At(s *site.Site) *Speaker {
	return l.Of(&method.Resolved{Claims: s.Spec, Points: s.Points, Switches: s.Switches, Acts: s.Acts})
}

// Method returns the method that the speaker is for.
func (s *Speaker) Method() *method.Resolved { return s.m }

// Step is what a step says to the person.
func (s *Speaker) Step(id string) string {
	if x, _ := s.m.Step(id); x != nil {
		return x.Say
	}
	return id
}

// Phase is the name of a phase.
func (s *Speaker) Phase(id string) string {
	if p := s.m.Phase(id); p != nil {
		return p.Words
	}
	return id
}

// Phases are the names of all phases, in the method's order.
func (s *Speaker) Phases() []string {
	return each(s.m.Phases, func(p method.Phase) string { return p.Words })
}

// PhaseOf is the name of the phase that a step belongs to, or nothing.
func (s *Speaker) PhaseOf(step string) string {
	if x, _ := s.m.Step(step); x != nil {
		return s.Phase(x.Phase)
	}
	return ""
}

// Act is an act, as one is told to do it.
func (s *Speaker) Act(id site.ActID) string {
	return find(s.m.Acts, string(id), func(a *site.Act) (string, string) { return string(a.ID), a.Words })
}

// Point is a test point.
func (s *Speaker) Point(id string) string {
	return find(s.m.Points, id, func(p *site.Point) (string, string) { return string(p.ID), p.Words })
}

// Proof is what a proof shows.
func (s *Speaker) Proof(id string) string {
	return find(s.m.Proofs, id, func(p *method.Proof) (string, string) { return p.ID, p.Words })
}

// Switch is the name of what can be switched, withdrawn or taken off.
func (s *Speaker) Switch(id site.SwitchID) string {
	return find(s.m.Switches, string(id), func(w *site.Switch) (string, string) { return string(w.ID), w.Words })
}

// Items are pieces of protection.
func (s *Speaker) Items(ids []string) []string {
	list := make([]string, len(ids))
	for i, id := range ids {
		list[i] = find(s.m.Protection, id, func(p *method.Protection) (string, string) { return p.ID, p.Words })
	}
	return list
}

// Stop is the title of a stop; words are those of whoever declared one.
func (s *Speaker) Stop(id, words string) string {
	if id == visit.Declared {
		return cmp.Or(words, s.Say("stop.declared"))
	}
	if x := s.m.Stop(id); x != nil {
		return x.Title
	}
	return id
}

func find[T any](list []T, id string, of func(*T) (id, words string)) string {
	for i := range list {
		if have, words := of(&list[i]); have == id {
			return words
		}
	}
	return id
}

// Between is a point with what it was read against.
func (s *Speaker) Between(at, against string) string {
	if against == "" {
		return s.Point(at)
	}
	return s.Say("reading.between", "at", s.Point(at), "against", s.Point(against))
}

// Kind is the trade's name of a kind of instrument.
func (l *Language) Kind(k instrument.Kind) string { return l.code("instrument", string(k)) }

// Kinds are several of them.
func (l *Language) Kinds(list []instrument.Kind) []string { return each(list, l.Kind) }

// Source is the name of a kind of proving source.
func (l *Language) Source(k instrument.SourceKind) string { return l.code("source", string(k)) }

// SourceOf is a proving source with its number and its value.
func (l *Language) SourceOf(p visit.ProvingSource) string {
	words := l.Source(p.Kind)
	switch {
	case strings.Contains(p.ID, " "): // words, and no number
		words = l.Say("source.called", "source", words, "name", p.ID)
	case p.ID != "":
		words = l.Say("source.numbered", "source", words, "number", p.ID)
	}
	if p.Nominal != "" {
		nominal := p.Nominal
		if shows, ok := visit.ParseShows(nominal); ok {
			nominal = l.Shows(shows)
		}
		words = l.Say("source.nominal", "source", words, "nominal", nominal)
	}
	return words
}

// Owner is who must mend something, or was told.
func (l *Language) Owner(o method.Owner) string { return l.code("owner", string(o)) }

// code words one of a closed set; what is not in it is said as it stands.
func (l *Language) code(set, code string) string {
	if key := set + "." + code; l.Has(key) {
		return l.Say(key)
	}
	return code
}

func each[T any](list []T, words func(T) string) []string {
	out := make([]string, len(list))
	for i, x := range list {
		out[i] = words(x)
	}
	return out
}

// Shows is what an instrument showed.
func (l *Language) Shows(i instrument.Indication) string {
	if v, unit, ok := i.Reading(); ok {
		return l.Quantity(v.String(), unit)
	}
	words := l.code("shows", string(i.Shows()))
	if i.Detail() != "" {
		words = l.Say("shows.detail", "shows", words, "detail", i.Detail())
	}
	return words
}

// Quantity is a number with its unit.
func (l *Language) Quantity(value, unit string) string {
	if u := measure.Unit(unit).String(); u != "" {
		return value + " " + u
	}
	return value
}

// Limit is a limit with its numbers; with Source its mark and source follow.
func (l *Language) Limit(b *method.Bounds) string {
	switch {
	case b == nil:
		return ""
	case b.Lower != "" && b.Upper != "":
		return l.Say("limit.between", "lower", b.Lower, "upper", l.Quantity(b.Upper, b.Unit))
	case b.Lower != "":
		return l.Say("limit.at-least", "limit", l.Quantity(b.Lower, b.Unit))
	}
	return l.Say("limit.at-most", "limit", l.Quantity(b.Upper, b.Unit))
}

// LimitName is what the limit of a reading is called, or nothing.
func (s *Speaker) LimitName(r *visit.Reading) string {
	if x, _ := s.m.Step(r.Step); x != nil && x.Observe != nil && x.Observe.Bounds != nil {
		return x.Observe.Bounds.Words
	}
	return ""
}

// LimitSource is a limit with its numbers, mark and source.
func (l *Language) LimitSource(b *method.Bounds) string {
	if b == nil {
		return ""
	}
	return l.Say("limit.source", "limit", l.Limit(b), "mark", b.Mark, "source", b.Source)
}

// Verdict is what the engine made of a reading.
func (l *Language) Verdict(r *visit.Reading) string {
	words := l.code("found", string(r.Judged.Found))
	if r.Judged.Verdict != "" && r.Judged.Odd == "" {
		words = l.Say("verdict."+r.Judged.Verdict, "probability", l.Probability(r.Judged.Probability))
	}
	if r.Judged.Odd != "" {
		words = l.Say("verdict.odd", "verdict", words, "odd", l.code("odd", string(r.Judged.Odd)))
	}
	if r.Judged.Again {
		words = l.Say("verdict.again", "verdict", words)
	}
	return words
}

// Probability is a probability to three decimals, and never a certainty.
func (l *Language) Probability(p float64) string {
	switch {
	case p >= 0.9995:
		return l.Say("probability.over")
	case p < 0.0005:
		return l.Say("probability.under")
	}
	return decimals(p, 3)
}

// Judgement is a verdict with its probability.
func (l *Language) Judgement(j measure.Judgement) string {
	return l.Say("verdict."+j.Verdict.String(), "probability", l.Probability(j.Probability))
}

// Genuine is what a verification came to.
func (l *Language) Genuine(v record.Verdict) string {
	return l.Say("genuine." + [...]string{"unreadable", "not", "in-two-versions", "not-ended", "to-head", "ended"}[v])
}

// Counts says whether a reading stands between two good provings; bracket is nil where its instrument
// was not proved before it.
func (l *Language) Counts(bracket *visit.Bracket) string {
	if bracket == nil {
		return l.Say("bracket.none")
	}
	return l.Say("bracket." + string(bracket.State))
}

// Bracket is the time between two provings of one instrument.
func (s *Speaker) Bracket(b *visit.Bracket) string {
	args := []any{"kind", s.Kind(b.Kind), "id", b.Instrument, "source", s.SourceOf(b.Source), "opened", Second(b.OpenedAt), "closed", Second(b.ClosedAt)}
	if b.Void != nil {
		args = append(args, "cause", s.Cause(b.Void))
	}
	return s.Say("bracketed."+string(b.State), args...)
}

// ProofState is how a proof stands.
func (s *Speaker) ProofState(p *visit.ProofLine) string {
	return s.Say("proof."+string(p.State), "since", Second(p.Since))
}

// Undone is one time that a proof came to nothing.
func (s *Speaker) Undone(u *visit.Undone) string {
	key := "undone.begun"
	switch {
	case u.Served():
		key = "undone.served"
	case u.Held:
		key = "undone.held"
	}
	c := u.Cause
	c.At = time.Time{}
	return s.Say(key, "since", Second(u.Since), "at", Second(u.At), "cause", s.Cause(&c))
}

// Cause is what made earlier evidence count for nothing.
func (s *Speaker) Cause(c *visit.Cause) string {
	at, shows, where := "", "", ""
	if !c.At.IsZero() {
		at = s.Say("cause.at", "time", c.At)
	}
	if c.Shows != nil {
		shows = s.Shows(*c.Shows)
	}
	if x, _ := s.m.Step(c.Step); x != nil && x.Observe != nil {
		where = s.Between(x.Observe.At, x.Observe.Against)
	}
	return s.Say("cause."+string(c.Code), "at", at, "kind", s.Kind(c.Kind), "source", s.Source(c.Source), "answer", s.Answer(c.Answer),
		"act", lowerFirst(s.Act(c.Act)), "step", s.Step(c.Step), "shows", shows, "where", where)
}

// Reason is one statement of a refusal.
func (s *Speaker) Reason(r visit.Reason) string {
	args := []any{"step", s.Step(r.Step), "act", lowerFirst(s.Act(r.Act)), "proof", s.Proof(r.Proof), "stop", s.Stop(r.Stop, ""), "outcome", s.Outcome(r.Outcome),
		"items", s.List(s.Items(r.Items)), "kinds", s.List(s.Kinds(r.Kinds)), "sources", s.List(each(r.Sources, s.Source)),
		"switch", s.Switch(r.Switch), "is", s.Position(r.Is), "should", s.Position(r.Should), "id", r.Step}
	key := "reason." + string(r.Code)
	if r.Code == visit.SwitchStands && r.Should == "" {
		key += "-still"
	}
	if r.Cause != nil {
		args = append(args, "cause", s.Cause(r.Cause))
	}
	if f := s.m.Fact(r.Fact); f != nil {
		args = append(args, "fact", f.Words, "value", s.m.Display(method.Values, r.Value))
	}
	return s.Say(key, args...)
}

// Refusal is the three parts of a refusal.
func (s *Speaker) Refusal(r *visit.Refusal) (what string, lacks, ways []string) {
	return s.Reason(r.What), each(r.Lacks, s.Reason), each(r.Ways, s.Reason)
}

// Position is how a switch stands.
func (s *Speaker) Position(p site.Position) string {
	return s.m.Display(method.Positions, string(p))
}

// Outcome is the way in which a visit ended.
func (l *Language) Outcome(outcome string) string { return l.code("outcome", outcome) }

// State is where a visit stands.
func (l *Language) State(s replay.State) string { return l.code("state", string(s)) }

// Omission is how a step was left out.
func (l *Language) Omission(o method.Omission) string { return l.code("omission", string(o)) }

// Told is one time that somebody was told.
func (l *Language) Told(to method.Owner, whom, name, reference string) string {
	who := l.Owner(to)
	if to == visit.SomebodyElse {
		who = whom
	} else if whom != "" {
		who += ", " + whom
	}
	if name != "" {
		who += ", " + name
	}
	if reference != "" {
		return l.Say("told.reference", "who", who, "reference", reference)
	}
	return who
}

// Telling is that with its time.
func (l *Language) Telling(t *replay.Telling) string {
	return l.Say("told.at", "who", l.Told(t.To, t.Whom, "", t.Reference), "at", t.At)
}

// Category is a category with its scheme, never a bare letter.
func (l *Language) Category(schemes []rules.Scheme, scheme, code string) string {
	if scheme == "" || code == "" {
		return ""
	}
	for _, s := range schemes {
		if s.ID != scheme {
			continue
		}
		for _, x := range s.Categories {
			if x.Code == code {
				return l.Say("category.meaning", "scheme", s.Title, "edition", s.Edition, "code", code, "meaning", x.Meaning)
			}
		}
		return l.Say("category.plain", "scheme", s.Title, "edition", s.Edition, "code", code)
	}
	return l.Say("category.unknown", "scheme", scheme, "code", code)
}

// Defect is what is wrong, in the person's words or the method's.
func (s *Speaker) Defect(d *replay.Defect) string {
	switch d.From {
	case replay.FromStop:
		return sentence(upperFirst(s.Stop(d.Stop, d.Words)))
	case replay.FromRemark:
		return sentence(upperFirst(s.Remark(d.Step, d.Outcome)))
	}
	return s.Say("defect.asset", "asset", d.Asset, "words", d.Words)
}

// Remark is what the method remarks on an answer to a step that is not as expected.
func (s *Speaker) Remark(step string, outcome int) string {
	if x, _ := s.m.Step(step); x != nil && x.Outcome(outcome) != nil {
		return x.Outcome(outcome).Remark
	}
	return step
}

// KeepOff is what whoever lives there must keep off until something is mended.
func (l *Language) KeepOff(k method.KeepOff) string { return l.code("keep-off", string(k)) }

// Happened says when something happened that was entered afterwards, or nothing.
func (l *Language) Happened(happened string) string {
	t, err := time.Parse(time.RFC3339, happened)
	if err != nil {
		return ""
	}
	return l.Say("entered.after", "at", t)
}

// Span is a length of time to the minute, and from two days on in days.
func (l *Language) Span(d time.Duration) string {
	n := int(d.Round(time.Minute) / time.Minute)
	switch {
	case n < 60:
		return l.Say("span.minutes", "n", n)
	case n >= 48*60:
		return l.Say("span.days", "n", n/60/24)
	}
	return l.Say("span.hours", "h", n/60, "n", n%60)
}

// Nature says whether a visit was real or practice.
func (l *Language) Nature(n record.Nature) string { return l.code("nature", string(n)) }

// Value is what was entered in a field, with its unit.
func (s *Speaker) Value(f *method.Field, value string) string {
	switch f.Type {
	case "text":
		return value
	case "choice":
		return s.m.Display(method.Choices, value)
	}
	return s.Quantity(value, f.Unit)
}

// Entries are what was entered at a step, field by field in the method's order.
func (s *Speaker) Entries(step string, entries map[string]string, photographs map[string]visit.Attachment) string {
	var parts []string
	said := map[string]bool{}
	if x, _ := s.m.Step(step); x != nil && x.Record != nil {
		for i := range x.Record.Fields {
			f := &x.Record.Fields[i]
			if v, ok := entries[f.ID]; ok {
				said[f.ID] = true
				parts = append(parts, s.Say("entry.value", "field", f.Words, "value", s.Value(f, v)))
			}
			if _, ok := photographs[f.ID]; ok {
				parts = append(parts, s.Say("entry.photograph", "field", f.Words))
			}
		}
	}
	for _, id := range slices.Sorted(maps.Keys(entries)) {
		if !said[id] {
			parts = append(parts, s.Say("entry.value", "field", id, "value", entries[id]))
		}
	}
	return strings.Join(parts, "; ")
}
