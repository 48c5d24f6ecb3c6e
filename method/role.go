package method

import (
	"cmp"
	"fmt"
	"slices"

	"meterwright/metering"
	"meterwright/site"
)

// Owner is who must mend what was found, or who is told of it.
type Owner = site.Owner

// Owners lists every owner in a fixed order.
func Owners() []Owner {
	return []Owner{site.Distributor, site.Supplier, site.Consumer, site.Employer}
}

// Ids are a method's own; whatever looks for something in a method looks for its
// role. The sets of roles are closed.

// FieldRole says what a field holds.
type FieldRole string

// The roles of fields.
const (
	FinalRegister   FieldRole = "final-register"
	OpeningRegister FieldRole = "opening-register"
	OldMeter        FieldRole = "old-meter"
	NewMeter        FieldRole = "new-meter"
	OldSeals        FieldRole = "old-seals"
	NewSeals        FieldRole = "new-seals"
	FuseType        FieldRole = "fuse-type"
	FuseRating      FieldRole = "fuse-rating"
	FaultCurrent    FieldRole = "fault-current"
	LoopLineEarth   FieldRole = "loop-line-earth"
	LoopLineNeutral FieldRole = "loop-line-neutral"
	Torque          FieldRole = "torque"
	TorqueFigure    FieldRole = "torque-figure"
	LoadPulses      FieldRole = "load-pulses"
	LoadSeconds     FieldRole = "load-seconds"
	LoadConstant    FieldRole = "load-constant"
	LoadEstimate    FieldRole = "load-estimate"
	Dependants      FieldRole = "dependants"
	Credit          FieldRole = "credit"
	Told            FieldRole = "told"
	AdviceGiven     FieldRole = "advice"
	OffTime         FieldRole = "off-time"
	OnTime          FieldRole = "on-time"
	// TransformerRatio is the primary amperes for one secondary ampere of the current transformers, Multiplier what the
	// registers are multiplied by, and Unmetered what no meter counted while the current circuits were shorted.
	TransformerRatio FieldRole = "transformer-ratio"
	Multiplier       FieldRole = "multiplier"
	Unmetered        FieldRole = "unmetered"
	// CommunicationsHub is the number of the hub, Commissioning how far the fitted meter was commissioned.
	CommunicationsHub FieldRole = "communications-hub"
	Commissioning     FieldRole = "commissioning"
)

// roleField is a role with the type of entry that it has, and whether it is of one
// register, so that a rate and a direction can be named.
type roleField struct {
	role     FieldRole
	entry    string
	register bool
}

var roleFields = []roleField{
	{FinalRegister, "reading", true}, {OpeningRegister, "reading", true},
	{OldMeter, "text", false}, {NewMeter, "text", false}, {OldSeals, "text", false}, {NewSeals, "text", false},
	{FuseType, "text", false}, {FuseRating, "number", false}, {FaultCurrent, "number", false},
	{LoopLineEarth, "number", false}, {LoopLineNeutral, "number", false}, {Torque, "number", false}, {TorqueFigure, "number", false},
	{LoadPulses, "number", true}, {LoadSeconds, "number", true}, {LoadConstant, "number", true}, {LoadEstimate, "number", true},
	{Dependants, "text", false}, {Credit, "text", false}, {Told, "choice", false}, {AdviceGiven, "text", false},
	{OffTime, "text", false}, {OnTime, "text", false},
	{TransformerRatio, "number", false}, {Multiplier, "number", false}, {Unmetered, "text", false},
	{CommunicationsHub, "text", false}, {Commissioning, "choice", false},
}

// FieldRoles lists every role of a field in a fixed order.
func FieldRoles() []FieldRole {
	var all []FieldRole
	for _, x := range roleFields {
		all = append(all, x.role)
	}
	return all
}

// StepRole says what a question is about.
type StepRole string

// The roles of steps.
const (
	AccessQuestion StepRole = "access"
	HazardQuestion StepRole = "hazards"
)

// StepRoles lists every role of a step in a fixed order.
func StepRoles() []StepRole { return []StepRole{AccessQuestion, HazardQuestion} }

// PhaseRole says what a phase is for.
type PhaseRole string

// LookPhase is the role of the phase in which the position is looked at and
// nothing touched.
const LookPhase PhaseRole = "look"

// ProofRole says what a proof is for.
type ProofRole string

// DeadProof is the role of the proof that no voltage was found where hands go.
const DeadProof ProofRole = "dead"

// StopRole says what a stop is about.
type StopRole string

// The roles of stops.
const (
	ConsentStop   StopRole = "consent"
	DependantStop StopRole = "dependant"
)

// StopRoles lists every role of a stop in a fixed order.
func StopRoles() []StopRole { return []StopRole{ConsentStop, DependantStop} }

// KeepOff is what whoever lives there must keep off until a stop is mended.
type KeepOff string

// What there is to keep off.
const (
	// OffMetal: metal that is joined to the earthing, indoors and out.
	OffMetal KeepOff = "metal"
	// OffWater: bath, shower and taps.
	OffWater KeepOff = "water"
	// OffMeter: the meter, its box and the cut-out.
	OffMeter KeepOff = "meter"
	// OffSockets: sockets and what is plugged in.
	OffSockets KeepOff = "sockets"
	// OffSwitches: no switch and no fuse can be relied on to make anything dead.
	OffSwitches KeepOff = "switches"
)

// KeepOffs lists them in a fixed order.
func KeepOffs() []KeepOff { return []KeepOff{OffMetal, OffWater, OffMeter, OffSockets, OffSwitches} }

// FactRole says which claim of the job a fact is found against.
type FactRole string

// The roles of facts.
const (
	ArrangementFact FactRole = "arrangement"
	ReferenceFact   FactRole = "independent-reference"
)

// FactRoles lists every role of a fact in a fixed order.
func FactRoles() []FactRole { return []FactRole{ArrangementFact, ReferenceFact} }

// ProtectionRole says what protects.
type ProtectionRole string

// The roles of protection.
const (
	Gloves ProtectionRole = "gloves"
	Visor  ProtectionRole = "visor"
)

// ProtectionRoles lists every role of protection in a fixed order.
func ProtectionRoles() []ProtectionRole { return []ProtectionRole{Gloves, Visor} }

// Omission says how a step was left out.
type Omission string

// The omissions.
const (
	NotTested     Omission = "not-tested"
	CouldNot      Omission = "could-not"
	NotApplicable Omission = "not-applicable"
)

// Omissions lists every omission in a fixed order.
func Omissions() []Omission { return []Omission{NotTested, CouldNot, NotApplicable} }

// MayLeave reports whether a visit in which the step was left out in that way can
// still end as completed.
func (s *Step) MayLeave(o Omission) bool { return slices.Contains(s.May, o) }

// Of returns the direction of the register that the field is of.
func (f *Field) Of() metering.Direction { return cmp.Or(f.Direction, metering.Import) }

// Tells returns the owner whom a choice of the field says was told.
func (f *Field) Tells(choice string) (Owner, bool) {
	o, ok := f.Owners[choice]
	return o, ok
}

// Field returns the first field with one of the roles, or nil.
func (r *Record) Field(roles ...FieldRole) *Field {
	if r == nil {
		return nil
	}
	for i := range r.Fields {
		if slices.Contains(roles, r.Fields[i].Role) {
			return &r.Fields[i]
		}
	}
	return nil
}

// ByID returns the field with that id, or nil.
func (r *Record) ByID(id string) *Field {
	if r == nil {
		return nil
	}
	for i := range r.Fields {
		if r.Fields[i].ID == id {
			return &r.Fields[i]
		}
	}
	return nil
}

// FieldsWith returns the fields with one of the roles, in the method's order.
func (r *Resolved) FieldsWith(roles ...FieldRole) []*Field {
	var all []*Field
	for i := range r.Steps {
		if rec := r.Steps[i].Record; rec != nil {
			for j := range rec.Fields {
				if slices.Contains(roles, rec.Fields[j].Role) {
					all = append(all, &rec.Fields[j])
				}
			}
		}
	}
	return all
}

// Field returns a field by its step and its id, or nil.
func (r *Resolved) Field(step, id string) *Field {
	if s, _ := r.Step(step); s != nil {
		return s.Record.ByID(id)
	}
	return nil
}

// Stop returns the stop with that id, or nil.
func (r *Resolved) Stop(id string) *Stop {
	return named(r.Stops, id, func(s *Stop) string { return s.ID })
}

// RestrictedStop reports whether nothing of a stop may reach the consumer. A stop
// that the method does not have is restricted, since nobody can tell what it says.
func (r *Resolved) RestrictedStop(id string) bool {
	s := r.Stop(id)
	return s == nil || s.Restricted
}

// Phase returns the phase with that id, or nil.
func (r *Resolved) Phase(id string) *Phase {
	return named(r.Phases, id, func(p *Phase) string { return p.ID })
}

// Fact returns the fact with that id, or nil.
func (r *Resolved) Fact(id string) *Fact {
	return named(r.Facts, id, func(f *Fact) string { return f.ID })
}

func named[T any](list []T, id string, of func(*T) string) *T {
	for i := range list {
		if of(&list[i]) == id {
			return &list[i]
		}
	}
	return nil
}

// roles checks what a method says of its parts' roles.
func (v *docCheck) roles() {
	d := v.d
	for i, f := range d.Facts {
		known(v, fmt.Sprintf("/facts/%d/role", i), f.Role, FactRoles(), "role of a fact")
	}
	for i, p := range d.Protection {
		at := fmt.Sprintf("/protection/%d", i)
		known(v, at+"/role", p.Role, ProtectionRoles(), "role of protection")
		if p.Dated && !p.Checked {
			v.add(at+"/dated", "write checked: true beside it", "a date that nobody checks says nothing")
		}
		if p.Role == Gloves && !p.Dated {
			v.add(at, "write dated: true", "gloves bear the day on which their test falls due (IEC 60903), and nothing asks for it")
		}
	}
	for i, p := range d.Phases {
		known(v, fmt.Sprintf("/phases/%d/role", i), p.Role, []PhaseRole{LookPhase}, "role of a phase")
	}
	for i, p := range d.Proofs {
		known(v, fmt.Sprintf("/proofs/%d/role", i), p.Role, []ProofRole{DeadProof}, "role of a proof")
	}
	for i, s := range d.Stops {
		at := fmt.Sprintf("/stops/%d", i)
		known(v, at+"/role", s.Role, StopRoles(), "role of a stop")
		v.owner(at+"/owner", s.Owner)
		for j, k := range s.KeepOff {
			known(v, fmt.Sprintf("%s/keep_off/%d", at, j), k, KeepOffs(), "thing to keep off")
		}
		if s.Consumer == "" && len(s.KeepOff) > 0 {
			v.add(at+"/keep_off", "say under consumer what was found, for whoever lives there", "nothing says what it is that they keep off for")
		}
		if s.Restricted && s.Consumer != "" {
			v.add(at+"/consumer", "delete it, with keep_off", "nothing of a restricted stop may reach the consumer")
		}
		// What a supplier follows up may tell of a person, so that silence is no answer.
		if s.Owner == site.Supplier && !s.Restricted && s.Role == "" {
			v.add(at, "write restricted: true, or role: consent or role: dependant where it is about the consumer's own supply",
				"a stop that is the supplier's does not say whether the consumer may read of it")
		}
	}
	for i := range d.Steps {
		s := &d.Steps[i]
		at := fmt.Sprintf("/steps/%d", i)
		known(v, at+"/role", s.Role, StepRoles(), "role of a step")
		for j, o := range s.May {
			known(v, fmt.Sprintf("%s/may/%d", at, j), o, Omissions(), "way of leaving a step out")
		}
		if s.Record != nil {
			for j := range s.Record.Fields {
				v.fieldRole(fmt.Sprintf("%s/record/fields/%d", at, j), s.Record.Fields[:j], &s.Record.Fields[j])
			}
		}
	}
}

func (v *docCheck) owner(at string, o Owner) {
	if !slices.Contains(Owners(), o) {
		v.add(at, "write one of "+joinWords(Owners()), "%q is no owner", o)
	}
}

func known[T ~string](v *docCheck, at string, role T, all []T, what string) {
	if role != "" && !slices.Contains(all, role) {
		v.add(at, "write one of "+joinWords(all), "%q is no %s", role, what)
	}
}

func (v *docCheck) fieldRole(at string, before []Field, f *Field) {
	i := slices.IndexFunc(roleFields, func(x roleField) bool { return x.role == f.Role })
	register := false
	switch {
	case f.Role == "" && f.Type == "reading":
		v.add(at, "give role: final-register or role: opening-register", "a reading is of a register, and the field does not say which")
	case f.Role == "":
	case i < 0:
		v.add(at+"/role", "write one of "+joinWords(FieldRoles()), "%q is no role of a field", f.Role)
	default:
		register = roleFields[i].register
		if roleFields[i].entry != f.Type {
			v.add(at+"/type", "write "+roleFields[i].entry, "a field with the role %s is no %s", f.Role, f.Type)
		}
		same := func(x Field) bool { return x.Role == f.Role && x.Rate == f.Rate && x.Of() == f.Of() }
		if slices.ContainsFunc(before, same) {
			v.add(at+"/role", "tell them apart by rate or direction, or take the role away", "another field of this step has the role %s", f.Role)
		}
	}
	if (f.Rate != "" || f.Direction != "") && !register {
		v.add(at, "take rate and direction away, or give the role of a register or of a load check", "a rate or a direction belongs to a register")
	}
	if f.Direction != "" && f.Direction != metering.Import && f.Direction != metering.Export {
		v.add(at+"/direction", "write import or export", "%q is no direction", f.Direction)
	}
	if f.Signed && f.Type != "number" {
		v.add(at+"/signed", "delete it", "only a number has a sign")
	}
	if f.Role == Told && len(f.Owners) == 0 {
		v.add(at, "say for each choice that names one which owner it is: owners: {the consumer: consumer}", "nothing says who was told")
	}
	for _, choice := range sortedKeys(f.Owners) {
		here := at + "/owners/" + escape(choice)
		v.owner(here, f.Owners[choice])
		if f.Role != Told || !slices.Contains(f.Choices, choice) {
			v.add(here, "name a choice of a field with the role told", "%q is no choice that tells an owner", choice)
		}
	}
}
