// Package method holds a written procedure as data: its steps, its proofs, its
// stops, an employer's overlays on it, and the resolved form that a visit follows.
//
// A Document is what somebody wrote. Resolve applies overlays and everything
// that the job already says, expands patterns over the site's points, and gives
// a Resolved, whose hash (SHA-256 over its RFC 8785 form) names exactly what a
// visit followed. The written language, with its files, is package written.
package method

import (
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"errors"
	"fmt"
	"sort"
	"strings"

	"meterwright/metering"
	"meterwright/rules"
)

// Document is a method as written.
type Document struct {
	// ID names the method: lower-case letters, digits and hyphens.
	ID string `json:"method"`
	// Edition is the edition of the text; any change needs a new one.
	Edition string `json:"edition"`
	// Title is what a person reads.
	Title string `json:"title"`
	// Language is the language of the words, as in RFC 5646: "en".
	Language string `json:"language"`
	// Country names the rules pack, for example "GB".
	Country string `json:"country"`
	// Source says where the method comes from, with its mark.
	Source string `json:"source,omitempty"`
	// For says which positions the method is for.
	For Fit `json:"for"`
	// Facts are the things that a person finds on site and that steps depend on.
	Facts []Fact `json:"facts,omitempty"`
	// Protection lists what can be worn or used against danger.
	Protection []Protection `json:"protection"`
	// Proofs lists what can be proved, and what undoes it.
	Proofs []Proof `json:"proofs"`
	// Stops lists the situations in which work ends until somebody decides.
	Stops []Stop `json:"stops"`
	// MakeSafe lists acts that are open at any point, with their protection.
	MakeSafe []MakeSafe `json:"make_safe"`
	// Phases lists the parts of the visit in order.
	Phases []Phase `json:"phases"`
	// Steps lists the steps in order.
	Steps []Step `json:"steps"`
}

// Fit says which positions a method is for.
type Fit struct {
	Phases   int    `json:"phases"`
	Metering string `json:"metering"`
}

// Fact is something found on site. Until it is known, every step that depends
// on it applies.
type Fact struct {
	ID     string   `json:"id"`
	Role   FactRole `json:"role,omitempty"`
	Words  string   `json:"words"`
	Values []string `json:"values"`
	// Begins is the value that it has from the opening on, until a stop sets another: nobody is asked for it.
	Begins string `json:"begins,omitempty"`
	// Unfinished lists the values with which no visit counts as completed.
	Unfinished []string `json:"unfinished,omitempty"`
}

// Protection is something worn or used.
type Protection struct {
	ID    string         `json:"id"`
	Words string         `json:"words"`
	Role  ProtectionRole `json:"role,omitempty"`
	// Checked says that it must be inspected before it is put on, Dated that it bears the day on which
	// its test falls due, without which a check of it says nothing.
	Checked bool `json:"checked,omitempty"`
	Dated   bool `json:"dated,omitempty"`
}

// Cause is an event that undoes a proof.
type Cause string

// The causes. Time, a failed proving, a correction, an unexpected indication
// and an act in spite of a refusal undo every proof that they bear on, in every
// method; the causes here are the ones that a method names.
const (
	Energised   Cause = "energised"
	Rejoined    Cause = "rejoined"
	Left        Cause = "left"
	HandedOver  Cause = "handed-over"
	Deenergised Cause = "de-energised"
)

// Causes lists every cause in a fixed order.
func Causes() []Cause { return []Cause{Energised, Rejoined, Left, HandedOver, Deenergised} }

// Proof is something that observations can establish.
type Proof struct {
	ID    string    `json:"id"`
	Role  ProofRole `json:"role,omitempty"`
	Words string    `json:"words"`
	// Lasts is the time in minutes after which the proof lapses; 0 means no limit.
	Lasts int `json:"lasts_minutes,omitempty"`
	// Undone lists the causes that undo it.
	Undone []Cause `json:"undone"`
}

// Stop is a situation in which work ends until somebody decides.
type Stop struct {
	ID   string   `json:"id"`
	Role StopRole `json:"role,omitempty"`
	// Restricted says that nothing of it may reach the consumer.
	Restricted bool   `json:"restricted,omitempty"`
	Title      string `json:"title"`
	// Do lists at most three things to do, in order.
	Do []string `json:"do"`
	// Consumer says what was found to whoever lives there, and KeepOff what to keep off until
	// it is mended. Without Consumer nothing of the stop reaches them.
	Consumer string    `json:"consumer,omitempty"`
	KeepOff  []KeepOff `json:"keep_off,omitempty"`
	// Scheme and Category class the defect for its owner; never one without the other.
	Scheme   string `json:"scheme,omitempty"`
	Category string `json:"category,omitempty"`
	// Owner is who must mend it.
	Owner Owner `json:"owner"`
	// Allows lists the acts that are offered. Any act that makes safe is accepted under any stop.
	Allows []string `json:"allows,omitempty"`
	// Declared says that a person may declare it at any point: no step asks for it alone.
	Declared bool `json:"declared,omitempty"`
	// Sets are the facts that are so once somebody has decided to go on: the way back that it leads to.
	Sets map[string]string `json:"sets,omitempty"`
	// Resume is the step from which work may go on once somebody has decided; without
	// it the visit can only end.
	Resume string `json:"resume,omitempty"`
}

// MakeSafe is an act that is open at any point.
type MakeSafe struct {
	Act     string            `json:"act"`
	Protect []string          `json:"protect,omitempty"`
	State   map[string]string `json:"state,omitempty"`
}

// Phase is a part of the visit.
type Phase struct {
	ID    string    `json:"id"`
	Role  PhaseRole `json:"role,omitempty"`
	Words string    `json:"words"`
	// Gloved says that gloves are worn, so that a screen is hard to use.
	Gloved bool `json:"gloved,omitempty"`
	// When limits every step of it, beside what the step says itself.
	When map[string][]string `json:"when,omitempty"`
	// Entry lists how answers may be entered during it: live, or after.
	Entry []string `json:"entry,omitempty"`
}

// Step is one question, one measurement or one act. Exactly one of the pointer
// fields is set.
type Step struct {
	ID    string   `json:"id"`
	Role  StepRole `json:"role,omitempty"`
	Phase string   `json:"phase"`
	// Sheet names the sheet that the step is a row of: consecutive steps of one phase that need no
	// order among themselves.
	Sheet string `json:"sheet,omitempty"`
	// Say is the sentence that the person reads.
	Say string `json:"say"`
	// Why says what the step is for.
	Why string `json:"why,omitempty"`
	// When limits the step: each fact must have one of the values.
	When map[string][]string `json:"when,omitempty"`
	// Protect lists the protection to be worn.
	Protect []string `json:"protect,omitempty"`
	// Needs lists the proofs that must hold.
	Needs []string `json:"needs,omitempty"`
	// State says how switches must stand.
	State map[string]string `json:"state,omitempty"`
	// Supports lists the proofs that the step's expected answer is part of.
	Supports []string `json:"supports,omitempty"`
	// May lists how the step may be left out of a visit that still ends as completed.
	May []Omission `json:"may,omitempty"`
	// Otherwise lists what some unexpected answers lead to, in order: the first that fits counts.
	Otherwise []Otherwise `json:"otherwise,omitempty"`
	// Unexpected says what any other unexpected answer leads to.
	Unexpected *Unexpected `json:"unexpected,omitempty"`

	TakeUp  *TakeUp  `json:"take_up,omitempty"`
	Check   *Check   `json:"check,omitempty"`
	PutOn   []string `json:"put_on,omitempty"`
	TakeOff []string `json:"take_off,omitempty"`
	Prove   *Prove   `json:"prove,omitempty"`
	Observe *Observe `json:"observe,omitempty"`
	Inspect *Inspect `json:"inspect,omitempty"`
	Decide  *Decide  `json:"decide,omitempty"`
	Record  *Record  `json:"record,omitempty"`
	Act     string   `json:"act,omitempty"`
}

// Unexpected says what an unexpected answer leads to: a stop, or a remark with
// its defect.
type Unexpected struct {
	Stop     string `json:"stop,omitempty"`
	Remark   string `json:"remark,omitempty"`
	Scheme   string `json:"scheme,omitempty"`
	Category string `json:"category,omitempty"`
	Owner    Owner  `json:"owner,omitempty"`
}

// Otherwise is what one kind of unexpected answer leads to. It fits where everything that is given
// fits: the answer, the value, the facts. A value that may as well lie outside fits a stop and no
// remark, and a fact that is not known fits nothing, so that what is in doubt leads to the graver.
type Otherwise struct {
	// Answers lists answers, or what an instrument without a number shows.
	Answers []string `json:"answers,omitempty"`
	// Within, Below and Above name a limit that the value keeps, or that it lies below or above.
	Within string `json:"within,omitempty"`
	Below  string `json:"below,omitempty"`
	Above  string `json:"above,omitempty"`
	// When limits it to facts found on site.
	When map[string][]string `json:"when,omitempty"`
	// Counts says that work goes on as after the expected answer: it counts for the proofs that the step supports.
	Counts bool `json:"counts,omitempty"`
	// Bounds is where the value lies, resolved.
	Bounds *Bounds `json:"bounds,omitempty"`
	Unexpected
}

// limit returns the limit that is named, and under which key.
func (o *Otherwise) limit() (key, name string) {
	switch {
	case o.Within != "":
		return "within", o.Within
	case o.Below != "":
		return "below", o.Below
	case o.Above != "":
		return "above", o.Above
	}
	return "", ""
}

// Outcome returns what an unexpected answer leads to: the first entry of Otherwise by 1, the second by 2,
// and by 0 what any other answer leads to; nil where nothing is said.
func (s *Step) Outcome(n int) *Unexpected {
	if n > 0 && n <= len(s.Otherwise) {
		return &s.Otherwise[n-1].Unexpected
	}
	return s.Unexpected
}

// Outcomes returns everything that unexpected answers to the step can lead to.
func (s *Step) Outcomes() []*Unexpected {
	var list []*Unexpected
	for i := range s.Otherwise {
		list = append(list, &s.Otherwise[i].Unexpected)
	}
	if s.Unexpected != nil {
		list = append(list, s.Unexpected)
	}
	return list
}

// TakeUp makes an instrument ready: which one, calibrated until when. Kit names several in
// its place, each with an event of its own, and Also those that are taken up too where they are at hand.
type TakeUp struct {
	With string   `json:"with,omitempty"`
	Kit  []string `json:"kit,omitempty"`
	Also []string `json:"also,omitempty"`
}

// Kinds lists the kinds of instrument that have to be taken up.
func (t *TakeUp) Kinds() []string {
	if t.With != "" {
		return []string{t.With}
	}
	return t.Kit
}

// Check inspects a piece of protection before it is worn.
type Check struct {
	Item string `json:"item"`
}

// Prove proves an instrument on a source that suits it.
type Prove struct {
	With string   `json:"with"`
	On   []string `json:"on,omitempty"`
}

// Observe reads an instrument at a point against another.
type Observe struct {
	With string `json:"with"`
	// At is a point, or in a Document a pattern such as meter.* that stands for one
	// step for each point.
	At string `json:"at"`
	// Against is the reference; body.self for a single-pole indication. In a Document a
	// pattern is allowed: each point of At is then read against each of these but itself.
	Against string `json:"against"`
	// Expect is the class of indication expected, for example lit, dark, healthy.
	Expect string `json:"expect,omitempty"`
	// Limit names a limit of the rules pack that a value must keep.
	Limit string `json:"limit,omitempty"`
	// Bounds is the limit resolved: numbers with their unit, mark and source.
	Bounds *Bounds `json:"bounds,omitempty"`
}

// Bounds is a limit with its source, numbers as decimal strings.
type Bounds struct {
	Lower string `json:"lower,omitempty"`
	Upper string `json:"upper,omitempty"`
	Unit  string `json:"unit"`
	// Signed says that the sign of a reading means a direction; a size has none.
	Signed bool   `json:"signed,omitempty"`
	Words  string `json:"words"`
	Mark   string `json:"mark"`
	Source string `json:"source"`
	// Doubt says how a number counts whose accuracy leaves open whether it keeps the limit.
	Doubt rules.Doubt `json:"doubt,omitempty"`
	// Beyond says how a number counts that no working instrument could show, which is one outside
	// Credible, what the position can give, or outside the range of the kind of instrument.
	Beyond   rules.Beyond `json:"beyond,omitempty"`
	Credible *Bounds      `json:"credible,omitempty"`
}

// Inspect asks a question with fixed answers.
type Inspect struct {
	Answers []string `json:"answers"`
	Expect  string   `json:"expect,omitempty"`
}

// Decide asks for a fact.
type Decide struct {
	Fact string `json:"fact"`
}

// Record asks for entries.
type Record struct {
	Fields []Field `json:"fields"`
}

// Field is one entry: text, a decimal with a unit, a photograph.
type Field struct {
	ID    string `json:"id"`
	Words string `json:"words"`
	// Role says what the entry is, for the copies of a report and the pages.
	Role FieldRole `json:"role,omitempty"`
	// Rate and Direction say of which register: no rate is the only one or the total,
	// no direction is import.
	Rate      string             `json:"rate,omitempty"`
	Direction metering.Direction `json:"direction,omitempty"`
	// Type is text, number, reading (a register), photograph or choice.
	Type string `json:"type"`
	Unit string `json:"unit,omitempty"`
	// Signed says that the sign of a number means a direction; a size has none.
	Signed bool `json:"signed,omitempty"`
	// Choices lists what a choice may be; Owners says which of them names an owner.
	Choices []string         `json:"choices,omitempty"`
	Owners  map[string]Owner `json:"owners,omitempty"`
	// Optional says that the entry may be left empty.
	Optional bool `json:"optional,omitempty"`
}

// Overlay is what an employer changes in a method.
type Overlay struct {
	ID      string   `json:"overlay"`
	Edition string   `json:"edition"`
	Title   string   `json:"title"`
	Of      string   `json:"of"`
	Why     string   `json:"why,omitempty"`
	Changes []Change `json:"changes"`
}

// Change is one change of an overlay; exactly one field is set.
type Change struct {
	Add     *Add     `json:"add,omitempty"`
	Move    *Move    `json:"move,omitempty"`
	Tighten *Tighten `json:"tighten,omitempty"`
	Relax   *Relax   `json:"relax,omitempty"`
}

// Add puts steps after or before a step.
type Add struct {
	After  string `json:"after,omitempty"`
	Before string `json:"before,omitempty"`
	Steps  []Step `json:"steps"`
}

// Move puts a whole phase before another.
type Move struct {
	Phase  string `json:"phase"`
	Before string `json:"before"`
}

// Tighten asks for more: protection at steps, or a shorter life of a proof.
type Tighten struct {
	Steps   []string `json:"steps,omitempty"`
	Protect []string `json:"protect,omitempty"`
	Needs   []string `json:"needs,omitempty"`
	Proof   string   `json:"proof,omitempty"`
	Lasts   int      `json:"lasts_minutes,omitempty"`
	Undone  []Cause  `json:"undone,omitempty"`
}

// Relax takes something away. It is allowed, and everything it takes away is
// named in the resolved method.
type Relax struct {
	Steps   []string `json:"steps,omitempty"`
	Protect []string `json:"protect,omitempty"`
	Needs   []string `json:"needs,omitempty"`
	Remove  []string `json:"remove,omitempty"`
}

// Fault is one thing wrong with a document.
type Fault struct {
	// Pointer says where, as an RFC 6901 pointer into the document.
	Pointer string
	// Problem says what is wrong, Mend how to mend it.
	Problem, Mend string
}

func (f Fault) Error() string {
	where := f.Pointer
	if where == "" {
		where = "/"
	}
	if f.Mend == "" {
		return where + ": " + f.Problem
	}
	return where + ": " + f.Problem + ": " + f.Mend
}

// Faults is everything wrong with a document, in the document's order.
type Faults []Fault

func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

func (fs Faults) orNil() error {
	if len(fs) == 0 {
		return nil
	}
	sort.SliceStable(fs, func(i, j int) bool { return fs[i].Pointer < fs[j].Pointer })
	return fs
}

// DecodeDocument reads a method from JSON and checks it. The error is a Faults.
func DecodeDocument(b []byte) (*Document, error) {
	var d Document
	if err := decode(b, &d); err != nil {
		return nil, err
	}
	if err := d.Validate(); err != nil {
		return nil, err
	}
	return &d, nil
}

// DecodeOverlay reads an overlay from JSON and checks its shape; what it changes
// is checked when it is applied. The error is a Faults.
func DecodeOverlay(b []byte) (*Overlay, error) {
	var o Overlay
	if err := decode(b, &o); err != nil {
		return nil, err
	}
	if err := o.validate(); err != nil {
		return nil, err
	}
	return &o, nil
}

func decode(b []byte, into any) error {
	err := json.Unmarshal(b, into, json.RejectUnknownMembers(true))
	if err == nil {
		return nil
	}
	var sem *json.SemanticError
	if errors.As(err, &sem) {
		problem := "does not fit"
		if sem.JSONKind != 0 {
			problem = fmt.Sprintf("a %s does not fit here", kindWord(sem.JSONKind))
		}
		mend := "compare with docs/method-language.md"
		if errors.Is(sem.Err, json.ErrUnknownName) {
			problem = "this key is not known"
			mend = "check its spelling against docs/method-language.md"
		} else if sem.GoType != nil {
			mend = "write " + typeWord(sem.GoType.Kind().String())
		}
		return Faults{{Pointer: string(sem.JSONPointer), Problem: problem, Mend: mend}}
	}
	var syn *jsontext.SyntacticError
	if errors.As(err, &syn) {
		return Faults{{Pointer: string(syn.JSONPointer), Problem: syn.Err.Error()}}
	}
	return Faults{{Problem: err.Error()}}
}

func kindWord(k jsontext.Kind) string {
	switch k {
	case '"':
		return "text"
	case '0':
		return "number"
	case '{':
		return "mapping"
	case '[':
		return "list"
	case 't', 'f':
		return "yes-or-no value"
	}
	return "value"
}

func typeWord(k string) string {
	switch k {
	case "string":
		return "text (put numbers in quotes)"
	case "int":
		return "a whole number"
	case "slice":
		return "a list"
	case "struct", "map", "ptr":
		return "a mapping"
	case "bool":
		return "true or false"
	}
	return "another value"
}
