// Package script carries out a visit that is written down: a list of what was done, seen and
// decided, one short entry each, put through the engine and kept in a signed record.
//
// A script is one YAML file. Its head says when the visit began and gives the everyday values
// that are not worth an entry; its entries say what happened:
//
//	script: detector-fails-second-proving
//	title: The detector fails its second proving after the dead test
//	fictional: true
//	date: 2026-11-24
//	begin: "09:00"
//	pace: 15s
//	device: van-7
//	seed: northmere-9
//	usual:
//	  declared-voltage: 238.1 V
//	  final-import: "04127"
//	entries:
//	  - go-on: dead-prove-again
//	  - proved: two-pole-detector on proving-unit shows dark
//	    at: "09:41"
//	  - took-off: [gloves, visor]
//	  - ended: {outcome: abandoned, left: the carrier is out}
//
// An entry has one key that names the kind of event, with its body, as package visit
// describes it, or a short form of it:
//
//	took-up: KIND, or KIND ID           an instrument of the job's kit
//	checked: ITEM sound, or ITEM failed
//	put-on: ITEM, or a list             took-off likewise
//	proved: KIND on SOURCE shows WHAT
//	observed: WHAT, or STEP shows WHAT
//	inspected: ANSWER                   at the step in turn
//	decided: VALUE                      at the step in turn
//	recorded: {FIELD: VALUE, …}         at the step in turn
//	acted: ACT
//	left-out: {how, why}                at the step in turn
//	returned: STEP, or {step, why}
//	stopped: WORDS, or {stop: STOP, why: WORDS} for one of the method's
//	resumed, noted, supplement: words
//	answered: follow                    the advice given last; or {answer: set-aside, why: …}
//	reported: {to, name, reference, words}; defect, dependant and ended likewise in full
//
// and these that are no events of their own:
//
//	go-on: STEP   answers every step up to STEP, which it leaves, as the method expects it,
//	              with the job's kit and the usual values; go-on alone goes to the last step.
//	              A fact that neither the job claims nor usual gives has its first value
//	away, back    the person leaves the service position, and is there again
//	restart       the device restarts, so that nobody knows how much time passed
//	correct       {step: STEP, now: …, why: …} takes back the last answer given at a step,
//	              or {of: LABEL, …} the entry that carries as: LABEL
//	hand-over     {person, device}: another person goes on with another device
//
// Beside it an entry may carry at (a time of day, or +2m after the entry before), happened (a
// time of day, for what is entered afterwards), and as (a label). Times never go back.
//
// What the engine refuses is kept in the record as refused, and the script goes on with the
// next entry, as a person would.
package script

import (
	"cmp"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"meterwright/internal/yamldoc"
)

// Script is a visit written down.
type Script struct {
	// Name names the script, Title says in a sentence what happens in it.
	Name, Title string
	Fictional   bool
	// Begin is when the visit begins.
	Begin time.Time
	// Pace is the time that an entry takes that gives none.
	Pace time.Duration
	// Device names the first device, for boot ids and keys.
	Device string
	// Seed makes keys, visit id and salts the same on every run. Such keys prove nothing,
	// so that it is for demonstrations alone.
	Seed string
	// Usual gives the values that go-on enters, by step, field, fact or limit.
	Usual   map[string]string
	Entries []Entry

	doc *yamldoc.Document
}

// Entry is one entry of a script.
type Entry struct {
	// Verb is the key that says what happened.
	Verb string
	// Label is what as gives.
	Label string
	// At is the time that at gives, Happened the one for what is entered afterwards.
	At       clock
	Happened string

	body    jsontext.Value
	pointer string
}

// clock is a time of day or a span after the entry before.
type clock struct {
	day  time.Duration // since midnight
	span time.Duration
	kind clockKind
}

type clockKind uint8

const (
	noClock clockKind = iota
	atDay
	afterSpan
)

// maxEntries bounds a script; a go-on is one entry.
const maxEntries = 5000

type head struct {
	Script    string            `json:"script"`
	Title     string            `json:"title"`
	Fictional bool              `json:"fictional"`
	Date      string            `json:"date"`
	Begin     string            `json:"begin"`
	Zone      string            `json:"zone"`
	Pace      string            `json:"pace"`
	Device    string            `json:"device"`
	Seed      string            `json:"seed"`
	Usual     map[string]string `json:"usual"`
	Entries   []jsontext.Value  `json:"entries"`
}

// Parse reads a script. The error is a yamldoc.Problems.
func Parse(file string, b []byte) (*Script, error) {
	d, err := yamldoc.Parse(file, b)
	if err != nil {
		return nil, err
	}
	var h head
	if err := d.Decode(&h); err != nil {
		return nil, err
	}
	s := &Script{Name: h.Script, Title: h.Title, Fictional: h.Fictional, Device: cmp.Or(h.Device, "device-1"), Seed: h.Seed, Usual: h.Usual, Pace: 20 * time.Second, doc: d}
	if err := s.checkHead(&h); err != nil {
		return nil, err
	}
	if len(h.Entries) > maxEntries {
		return nil, d.Errorf("/entries", fmt.Sprintf("keep it under %d", maxEntries), "%d entries are too many", len(h.Entries))
	}
	labels := map[string]bool{}
	for i, raw := range h.Entries {
		e, err := s.entry(fmt.Sprintf("/entries/%d", i), raw)
		if err != nil {
			return nil, err
		}
		if e.Label != "" && labels[e.Label] {
			return nil, d.Errorf(e.pointer, "use each label once", "the label %.40q stands twice", e.Label)
		}
		labels[e.Label] = true
		s.Entries = append(s.Entries, e)
	}
	return s, nil
}

func (s *Script) checkHead(h *head) error {
	d := s.doc
	if s.Name == "" {
		return d.Errorf("/script", "give the script a name", "the name is missing")
	}
	begin, err := time.Parse("2006-01-02 15:04 -07:00", h.Date+" "+h.Begin+" "+cmp.Or(h.Zone, "+00:00"))
	if err != nil {
		return d.Errorf("/date", `write date: 2026-11-24 and begin: "09:00", and a zone like "+01:00" where it is not UTC`, "date, begin or zone is not one")
	}
	// A zone without a name, so that the result does not depend on the machine.
	_, offset := begin.Zone()
	s.Begin = begin.In(time.FixedZone("", offset))
	if h.Pace != "" {
		if s.Pace, err = time.ParseDuration(h.Pace); err != nil || s.Pace < 0 || s.Pace > time.Hour {
			return d.Errorf("/pace", "write it like 20s", "%.40q is no time that an entry can take", h.Pace)
		}
	}
	if !identifier(s.Device) {
		return d.Errorf("/device", "use letters, digits and hyphens", "%.40q cannot name a device", s.Device)
	}
	if s.Seed != "" && !s.Fictional {
		return d.Errorf("/seed", "leave it out, or mark the script fictional: true", "keys made from a seed prove nothing")
	}
	return nil
}

// identifier accepts up to 32 letters, digits and hyphens.
func identifier(s string) bool { return idForm.MatchString(s) }

var idForm = regexp.MustCompile(`^[A-Za-z0-9-]{1,32}$`)

// entry reads one entry: a mapping with one verb, or a verb alone.
func (s *Script) entry(pointer string, raw jsontext.Value) (Entry, error) {
	e := Entry{pointer: pointer}
	d := s.doc
	if raw.Kind() == '"' {
		var verb string
		if err := json.Unmarshal(raw, &verb); err != nil {
			return e, d.Errorf(pointer, "", "%s", err)
		}
		e.Verb = verb
		if v, ok := verbs[verb]; !ok || !v.bare {
			return e, d.Errorf(pointer, "write one of "+strings.Join(bareVerbs(), ", ")+", or a mapping with one of "+strings.Join(verbNames(), ", "), "%.40q says nothing by itself", verb)
		}
		return e, nil
	}
	var parts map[string]jsontext.Value
	if raw.Kind() != '{' || json.Unmarshal(raw, &parts) != nil {
		return e, d.Errorf(pointer, "write one of "+strings.Join(verbNames(), ", "), "this is no entry")
	}
	for _, key := range slices.Sorted(maps.Keys(parts)) {
		here := string(jsontext.Pointer(pointer).AppendToken(key))
		var err error
		switch key {
		case "at":
			e.At, err = s.clock(here)
		case "as":
			if err = d.DecodePart(here, &e.Label); err == nil && !identifier(e.Label) {
				err = d.Errorf(here, "use up to 32 letters, digits and hyphens", "%.40q is no label", e.Label)
			}
		case "happened":
			var c clock
			if c, err = s.clock(here); err == nil && c.kind != atDay {
				err = d.Errorf(here, `write it like "10:31"`, "say when it happened as a time of day")
			}
			if err == nil {
				e.Happened = s.day(c.day).Format(time.RFC3339)
			}
		default:
			if _, ok := verbs[key]; !ok {
				return e, d.KeyErrorf(here, "write one of "+strings.Join(verbNames(), ", "), "the key %.40q is not known here", key)
			}
			if e.Verb != "" {
				return e, d.Errorf(pointer, "make two entries of it", "%s and %s stand in one entry", e.Verb, key)
			}
			e.Verb, e.body = key, parts[key]
		}
		if err != nil {
			return e, err
		}
	}
	if e.Verb == "" {
		return e, d.Errorf(pointer, "write one of "+strings.Join(verbNames(), ", "), "the entry does not say what happened")
	}
	return e, nil
}

func (s *Script) clock(pointer string) (clock, error) {
	var text string
	if err := s.doc.DecodePart(pointer, &text); err != nil {
		return clock{}, err
	}
	if span, ok := strings.CutPrefix(text, "+"); ok {
		d, err := time.ParseDuration(span)
		if err == nil && d >= 0 && d <= 24*time.Hour {
			return clock{span: d, kind: afterSpan}, nil
		}
	}
	for _, layout := range []string{"15:04", "15:04:05"} {
		if t, err := time.Parse(layout, text); err == nil && len(text) == len(layout) {
			h, m, sec := t.Clock()
			return clock{day: time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(sec)*time.Second, kind: atDay}, nil
		}
	}
	return clock{}, s.doc.Errorf(pointer, `write a time of day like "10:31" or "10:31:20", or a span like +2m`, "%.40q is no time", text)
}

// day returns the time of day on the day of the visit.
func (s *Script) day(d time.Duration) time.Time {
	y, m, day := s.Begin.Date()
	return time.Date(y, m, day, 0, 0, 0, 0, s.Begin.Location()).Add(d)
}

// Place says where an entry stands, as file:line:column.
func (s *Script) Place(e *Entry) string {
	p := s.doc.At(e.pointer)
	return s.doc.File + ":" + strconv.Itoa(p.Line) + ":" + strconv.Itoa(p.Column)
}
