package method

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"fmt"
	"maps"
	"slices"
	"strings"

	"meterwright/site"
)

// Bounds on the lists that a visit keeps as fixed-size state.
const (
	MaxFacts      = 8
	MaxProtection = 8
	MaxProofs     = 16
	MaxStops      = 60
	MaxSwitches   = 32
	MaxOtherwise  = 8
)

// OverlayRef names an overlay that was applied.
type OverlayRef struct {
	ID      string `json:"id"`
	Edition string `json:"edition"`
}

// Resolved is a method with overlays and the job applied: what one visit follows.
// It holds everything that the visit's engine needs, so that a record which
// carries it can be judged again by itself.
type Resolved struct {
	Method     string        `json:"method"`
	Edition    string        `json:"edition"`
	Title      string        `json:"title"`
	Language   string        `json:"language"`
	Country    string        `json:"country"`
	Rules      string        `json:"rules"`
	Overlays   []OverlayRef  `json:"overlays"`
	TakesAway  []Away        `json:"takes_away"`
	Claims     site.Spec     `json:"claims"`
	Facts      []Fact        `json:"facts"`
	Protection []Protection  `json:"protection"`
	Proofs     []Proof       `json:"proofs"`
	Stops      []Stop        `json:"stops"`
	MakeSafe   []MakeSafe    `json:"make_safe"`
	Phases     []Phase       `json:"phases"`
	Steps      []Step        `json:"steps"`
	Points     []site.Point  `json:"points"`
	Switches   []site.Switch `json:"switches"`
	Acts       []site.Act    `json:"acts"`
	// Translations holds the words of other languages, by language and key.
	Translations map[string]map[string]string `json:"translations,omitempty"`

	words map[string]string // what In chose
}

// Job is what is known before the visit, as far as a method depends on it.
type Job struct {
	// Site is the service position as the job claims it.
	Site site.Spec
	// FitIsolator says that an isolating switch is to be fitted.
	FitIsolator bool
}

// Rules gives a method its limits by name.
type Rules struct {
	// Edition names the pack with its edition.
	Edition string
	Limits  map[string]Bounds
}

// StaticFacts lists the facts that a job knows before the visit.
func StaticFacts() []string {
	return []string{"rates", "export", "switched", "isolator", "fit-isolator", "socket", "sources"}
}

func knownStatic(f string) []string {
	switch f {
	case "rates":
		return []string{"one", "several"}
	case "export", "switched", "isolator", "fit-isolator", "socket":
		return []string{"yes", "no"}
	case "sources":
		return []string{"some", "none"}
	}
	return nil
}

func (j Job) fact(f string) (string, bool) {
	s := j.Site.WithDefaults()
	yes := func(b bool) (string, bool) {
		if b {
			return "yes", true
		}
		return "no", true
	}
	switch f {
	case "rates":
		if s.Rates > 1 {
			return "several", true
		}
		return "one", true
	case "export":
		return yes(s.Export)
	case "switched":
		return yes(s.Switched)
	case "isolator":
		return yes(s.Isolator)
	case "fit-isolator":
		return yes(j.FitIsolator)
	case "socket":
		return yes(!s.NoSocket)
	case "sources":
		if len(s.Sources) > 0 {
			return "some", true
		}
		return "none", true
	}
	return "", false
}

// Resolve applies overlays in order, drops the steps that the job rules out,
// expands patterns over the site, and adds the words of the translations, each of which
// is of the method or of one of the overlays. The error is a Faults, or wraps one.
func Resolve(d *Document, overlays []*Overlay, job Job, rules Rules, translations ...*Translation) (*Resolved, error) {
	st, err := site.Expand(job.Site)
	if err != nil {
		return nil, err
	}
	if st.Spec.Phases != d.For.Phases || string(st.Spec.Metering) != d.For.Metering {
		return nil, fmt.Errorf("method %s is for %d-phase %s positions, and the job claims %d-phase %s: choose a method for that position",
			d.ID, d.For.Phases, d.For.Metering, st.Spec.Phases, st.Spec.Metering)
	}
	r := &Resolved{Overlays: []OverlayRef{}, TakesAway: []Away{}}
	if err := r.translate(d, overlays, translations); err != nil {
		return nil, err
	}
	for _, o := range overlays {
		next, away, err := o.Apply(d)
		if err != nil {
			return nil, fmt.Errorf("overlay %s: %w", o.ID, err)
		}
		d = next
		r.Overlays = append(r.Overlays, OverlayRef{ID: o.ID, Edition: o.Edition})
		r.TakesAway = append(r.TakesAway, away...)
	}
	r.Method, r.Edition, r.Title, r.Language, r.Country, r.Rules = d.ID, d.Edition, d.Title, d.Language, d.Country, rules.Edition
	r.Claims = st.Spec
	r.Facts, r.Protection, r.Proofs, r.Stops, r.Phases = d.Facts, d.Protection, d.Proofs, d.Stops, d.Phases
	r.Points, r.Switches, r.Acts = st.Points, st.Switches, st.Acts

	x := &expander{st: st, job: job, rules: rules}
	for i, m := range d.MakeSafe {
		at := fmt.Sprintf("/make_safe/%d", i)
		for _, act := range x.acts(at+"/act", m.Act) {
			if a, _ := st.Act(site.ActID(act)); !a.MakeSafe {
				x.add(at+"/act", "list only acts that take the position to a more guarded state", "the act %q does not make safe", act)
			}
			r.MakeSafe = append(r.MakeSafe, MakeSafe{Act: act, Protect: m.Protect, State: x.state(at+"/state", m.State)})
		}
	}
	for i, s := range d.Steps {
		r.Steps = append(r.Steps, x.step(fmt.Sprintf("/steps/%d", i), s)...)
	}
	for i, s := range r.Stops {
		for j, a := range s.Allows {
			at := fmt.Sprintf("/stops/%d/allows/%d", i, j)
			for _, act := range x.acts(at, a) {
				if !slices.ContainsFunc(r.MakeSafe, func(m MakeSafe) bool { return m.Act == act }) {
					x.add(at, "list it under make_safe with its protection", "the stop allows %q, which is no act that makes safe", act)
				}
			}
		}
	}
	// A stop may name a step that this job does not have; the visit then resumes
	// at the next one that it has.
	r.Stops = slices.Clone(r.Stops)
	for i := range r.Stops {
		r.Stops[i].Resume = x.resume(d, r, r.Stops[i].Resume)
		r.Stops[i].Allows = x.allows(r.Stops[i].Allows)
	}
	// A proof that no step of this job supports is not needed in it.
	r.dropUnsupported()
	if len(r.Switches) > MaxSwitches {
		x.add("/switches", "describe fewer units or sources", "%d switches are too many", len(r.Switches))
	}
	if err := x.list.orNil(); err != nil {
		return nil, err
	}
	return r, nil
}

func (r *Resolved) dropUnsupported() {
	has := map[string]bool{}
	for _, s := range r.Steps {
		for _, p := range s.Supports {
			has[p] = true
		}
	}
	r.Proofs = slices.DeleteFunc(slices.Clone(r.Proofs), func(p Proof) bool { return !has[p.ID] })
	for i := range r.Steps {
		r.Steps[i].Needs = slices.DeleteFunc(slices.Clone(r.Steps[i].Needs), func(p string) bool { return !has[p] })
	}
}

type expander struct {
	faultList
	st    *site.Site
	job   Job
	rules Rules
}

// acts expands an act name, or a prefix with *, over the site.
func (x *expander) acts(at, name string) []string {
	var out []string
	prefix, star := strings.CutSuffix(name, "*")
	for _, a := range x.st.Acts {
		if string(a.ID) == name || star && strings.HasPrefix(string(a.ID), prefix) {
			out = append(out, string(a.ID))
		}
	}
	if len(out) == 0 && !star {
		x.add(at, "use an act that the site knows", "there is no act %q", name)
	}
	return out
}

func (x *expander) allows(names []string) []string {
	var out []string
	for _, n := range names {
		out = append(out, x.acts("", n)...)
	}
	return out
}

// state expands the switch names of a requirement; a name may end in *.
func (x *expander) state(at string, want map[string]string) map[string]string {
	if len(want) == 0 {
		return nil
	}
	out := map[string]string{}
	for _, k := range sortedKeys(want) {
		prefix, star := strings.CutSuffix(k, "*")
		found := star
		for _, w := range x.st.Switches {
			if string(w.ID) != k && (!star || !strings.HasPrefix(string(w.ID), prefix)) {
				continue
			}
			found = true
			if p := site.Position(want[k]); p != w.Home && p != w.Away {
				x.add(at+"/"+escape(k), fmt.Sprintf("write %q or %q", w.Home, w.Away), "%q is no position of %s", p, w.ID)
			}
			out[string(w.ID)] = want[k]
		}
		if !found {
			x.add(at+"/"+escape(k), "use a switch that the site knows", "there is no switch %q", k)
		}
	}
	return out
}

// applies evaluates the static part of a condition and returns the rest.
func (x *expander) applies(when map[string][]string) (map[string][]string, bool) {
	rest := map[string][]string{}
	for _, f := range sortedKeys(when) {
		if v, static := x.job.fact(f); static {
			if !slices.Contains(when[f], v) {
				return nil, false
			}
			continue
		}
		rest[f] = when[f]
	}
	if len(rest) == 0 {
		return nil, true
	}
	return rest, true
}

// step expands one written step.
func (x *expander) step(at string, s Step) []Step {
	when, ok := x.applies(s.When)
	if !ok {
		return nil
	}
	s.When = when
	s.State = x.state(at+"/state", s.State)
	s.Otherwise = x.otherwise(at+"/otherwise", s.Otherwise)
	switch {
	case s.Act != "":
		var out []Step
		star := strings.HasSuffix(s.Act, "*")
		for _, act := range x.acts(at+"/act", s.Act) {
			t := s
			t.Act = act
			if star {
				a, _ := x.st.Act(site.ActID(act))
				t.ID = s.ID + "/" + act
				t.Say = fill(s.Say, "", "", upperFirst(a.Words))
			}
			out = append(out, t)
		}
		return out
	case s.Observe != nil:
		return x.observe(at+"/observe", s)
	}
	return []Step{s}
}

// otherwise drops what the job rules out, and resolves the limits.
func (x *expander) otherwise(at string, list []Otherwise) []Otherwise {
	var out []Otherwise
	for i, o := range list {
		var ok bool
		if o.When, ok = x.applies(o.When); !ok {
			continue
		}
		if key, name := o.limit(); key != "" {
			b := x.limit(fmt.Sprintf("%s/%d/%s", at, i, key), name)
			switch key {
			case "below":
				b.Lower, b.Upper = "", b.Lower
			case "above":
				b.Lower, b.Upper = b.Upper, ""
			}
			if b.Unit != "" && b.Lower == "" && b.Upper == "" {
				x.add(fmt.Sprintf("%s/%d/%s", at, i, key), "name a limit that has such an end", "nothing lies %s %s", key, name)
			}
			b.Doubt, b.Beyond, b.Credible, o.Bounds = "", "", nil, &b
		}
		out = append(out, o)
	}
	return out
}

func (x *expander) limit(at, name string) Bounds {
	b, ok := x.rules.Limits[name]
	if !ok {
		x.add(at, "use one of "+strings.Join(sortedKeys(x.rules.Limits), ", "), "the rules have no limit %q", name)
	}
	return b
}

func (x *expander) observe(at string, s Step) []Step {
	o := *s.Observe
	if o.Limit != "" {
		b := x.limit(at+"/limit", o.Limit)
		o.Bounds = &b
	}
	atPoints, err := x.st.Match(o.At)
	if err != nil {
		x.add(at+"/at", "use a point or pattern of this site", "%s", err)
	}
	against := []site.PointID{""}
	if o.Against != "" {
		against, err = x.st.Match(o.Against)
		if err != nil {
			x.add(at+"/against", "use a point or pattern of this site", "%s", err)
		}
	}
	single := !strings.Contains(o.At, "*") && !strings.Contains(o.Against, "*")
	var out []Step
	done := map[string]bool{}
	for _, p := range atPoints {
		for _, q := range against {
			if p == q || done[string(q)+" "+string(p)] {
				continue
			}
			done[string(p)+" "+string(q)] = true
			t, u := s, o
			u.At, u.Against = string(p), string(q)
			t.Observe = &u
			if !single {
				t.ID = s.ID
				if strings.Contains(o.At, "*") {
					t.ID += "/" + string(p)
				}
				if strings.Contains(o.Against, "*") {
					t.ID += "/" + string(q)
				}
			}
			a, _ := x.st.Point(p)
			b, _ := x.st.Point(q)
			t.Say = fill(s.Say, a.Words, b.Words, "")
			out = append(out, t)
		}
	}
	return out
}

// resume finds the step of r at which a stop resumes, following the written order.
func (x *expander) resume(d *Document, r *Resolved, id string) string {
	if id == "" {
		return ""
	}
	from := slices.IndexFunc(d.Steps, func(s Step) bool { return s.ID == id })
	for _, written := range d.Steps[max(from, 0):] {
		for _, s := range r.Steps {
			if s.ID == written.ID || strings.HasPrefix(s.ID, written.ID+"/") {
				return s.ID
			}
		}
	}
	return ""
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// Encode returns the RFC 8785 form of r.
func (r *Resolved) Encode() ([]byte, error) {
	b, err := json.Marshal(r, json.Deterministic(true))
	if err != nil {
		return nil, fmt.Errorf("encode the resolved method %s: %w", r.Method, err)
	}
	v := jsontext.Value(b)
	if err := v.Canonicalize(); err != nil {
		return nil, fmt.Errorf("encode the resolved method %s: %w", r.Method, err)
	}
	return v, nil
}

// Hash returns the SHA-256 of Encode in lower-case hex.
func (r *Resolved) Hash() (string, error) {
	b, err := r.Encode()
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// DecodeResolved reads what Encode wrote.
func DecodeResolved(b []byte) (*Resolved, error) {
	var r Resolved
	if err := decode(b, &r); err != nil {
		return nil, fmt.Errorf("resolved method: %w", err)
	}
	return &r, nil
}

// Conditions returns what limits a step: what it says itself, and what its phase says of all its steps.
func (r *Resolved) Conditions(s *Step) map[string][]string {
	p := r.Phase(s.Phase)
	if p == nil || len(p.When) == 0 {
		return s.When
	}
	both := maps.Clone(p.When)
	for f, values := range s.When {
		if have, ok := both[f]; ok {
			values = slices.DeleteFunc(slices.Clone(values), func(v string) bool { return !slices.Contains(have, v) })
		}
		both[f] = values
	}
	return both
}

// Step returns the step with that id and its index.
func (r *Resolved) Step(id string) (*Step, int) {
	for i := range r.Steps {
		if r.Steps[i].ID == id {
			return &r.Steps[i], i
		}
	}
	return nil, -1
}
