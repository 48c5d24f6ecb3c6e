package visit

import (
	"fmt"
	"math/bits"
	"slices"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/rules"
	"meterwright/site"
)

// doing is the kind of an attempt, as the guards see it.
type doing uint8

const (
	doOpen doing = iota + 1
	doTakeUp
	doCheck
	doPutOn
	doTakeOff
	doProve
	doObserve
	doInspect
	doDecide
	doRecord
	doAct
	doLeaveOut
	doReturn
	doGoAway
	doComeBack
	doCorrect
	doStop
	doReport
	doResume
	doTakeOver
	doHandOver
	doNote
	doSupplement
	doEnd
)

var doingWords = [...]string{"", "open", "take up", "check", "put on", "take off", "prove", "observe", "inspect",
	"decide", "record", "act", "leave out", "return", "go away", "come back", "correct", "stop", "report", "resume",
	"take over", "hand over", "note", "add afterwards", "end"}

func (d doing) String() string { return doingWords[d] }

// result is what the engine makes of an answer.
type result uint8

const (
	noResult result = iota
	expected
	doubtful
	unexpected
	withdrawn
	// remarked is an answer that is not as expected, is remarked on, and counts as if it were.
	remarked
)

// step is one step of the machine: a method step with names turned into indices.
type step struct {
	does doing
	tool int8
	// kit holds the kinds that are taken up together, none for one alone, and also those that are where they are at hand.
	kit      uint16
	also     uint16
	items    uint8
	act      int8
	fact     int8
	protect  uint8
	needs    uint16
	supports uint16
	stop     int8
	// open says that a number in doubt does not keep the visit from going on.
	open bool
	// others holds what the entries of the step's otherwise lead to.
	others  []other
	mask    uint32
	want    uint32
	when    []condition
	sources uint8
	after   bool
	// first and last are the ends of the sheet that the step is a row of: the step itself where it is of none.
	first, last int16
}

// other is what one kind of unexpected answer leads to: a stop by its index, or -1, where the facts are as they have to be.
type other struct {
	stop int8
	when []condition
}

// condition asks that a fact has one of the values in the bit set; bit 0 stands
// for a fact that is not yet known, and is always set.
type condition struct {
	fact   int8
	values uint8
}

type actRow struct {
	mask, set uint32
	cause     method.Cause
	makeSafe  bool
	protect   uint8
	safeMask  uint32
	safeWant  uint32
}

type stopRow struct {
	resume int16
	// sets holds 1 + the index of the value that a fact has once work goes on, 0 for a fact that stays.
	sets [method.MaxFacts]uint8
}

type proofRow struct {
	lastsMS  int64
	undone   uint8
	supports []int16
	tools    uint16
}

// Machine is a resolved method prepared for use. It never changes after New.
type Machine struct {
	Method *method.Resolved
	// Hash is the SHA-256 of the resolved method in hex.
	Hash string

	steps   []step
	acts    []actRow
	stops   []stopRow
	proofs  []proofRow
	kit     uint8 // protection that must be checked before it is worn
	offNeed [method.MaxProtection]uint16
	exposed uint32 // switches that leave conductors within reach when away from home
	service uint32 // switches that must stand at home for a visit to be completed
	carrier uint32 // the switch
	contact uint32
	// begins is the value that each fact has from the opening on, unfinished the values with which no visit is completed.
	begins, unfinished [method.MaxFacts]uint8
	guards             []guard
	undoings           []undoing
	owings             []owing
	lapsings           []lapsing
}

// New prepares a resolved method. The error says what the method names that it
// does not have.
func New(r *method.Resolved) (*Machine, error) {
	hash, err := r.Hash()
	if err != nil {
		return nil, err
	}
	m := &Machine{Method: r, Hash: hash, guards: guardTable, undoings: undoTable, owings: oweTable, lapsings: lapseTable}
	b := &builder{m: m, r: r}
	b.build()
	if b.err != nil {
		return nil, fmt.Errorf("resolved method %s: %w", r.Method, b.err)
	}
	return m, nil
}

type builder struct {
	m   *Machine
	r   *method.Resolved
	err error
}

func (b *builder) fail(format string, args ...any) {
	if b.err == nil {
		b.err = fmt.Errorf(format, args...)
	}
}

func index[T any](b *builder, list []T, max int, what, id string, name func(T) string) int {
	i := slices.IndexFunc(list, func(t T) bool { return name(t) == id })
	if i < 0 || i >= max {
		b.fail("there is no %s %q, or more than %d of them", what, id, max)
		return 0
	}
	return i
}

func (b *builder) items(ids []string) uint8 {
	var m uint8
	for _, id := range ids {
		m |= 1 << index(b, b.r.Protection, method.MaxProtection, "protection", id, func(p method.Protection) string { return p.ID })
	}
	return m
}

func (b *builder) proofMask(ids []string) uint16 {
	var m uint16
	for _, id := range ids {
		m |= 1 << index(b, b.r.Proofs, method.MaxProofs, "proof", id, func(p method.Proof) string { return p.ID })
	}
	return m
}

func (b *builder) state(want map[string]string) (mask, bits uint32) {
	for i, w := range b.r.Switches {
		p, ok := want[string(w.ID)]
		if !ok || i >= method.MaxSwitches {
			continue
		}
		mask |= 1 << i
		if site.Position(p) == w.Away {
			bits |= 1 << i
		}
	}
	return mask, bits
}

// guarding is gloves and visor.
func (b *builder) guarding() uint8 {
	var m uint8
	for i, p := range b.r.Protection {
		if p.Role != "" {
			m |= 1 << i
		}
	}
	return m
}

func (b *builder) actIndex(id string) int8 {
	return int8(index(b, b.r.Acts, 64, "act", id, func(a site.Act) string { return string(a.ID) }))
}

// valueOf is 1 + the index of a fact's value, as Control holds it.
func (b *builder) valueOf(fact int, value string) uint8 {
	return uint8(1 + index(b, b.r.Facts[fact].Values, 7, "value of "+b.r.Facts[fact].ID, value, func(v string) string { return v }))
}

func (b *builder) tool(kind string) int8 {
	i := instrument.Index(instrument.Kind(kind))
	if i < 0 {
		b.fail("there is no kind of instrument %q", kind)
	}
	return int8(max(i, 0))
}

func (b *builder) build() {
	r, m := b.r, b.m
	if len(r.Steps) == 0 || len(r.Steps) > 1000 {
		b.fail("%d steps: a visit needs 1 to 1000", len(r.Steps))
	}
	if len(r.Switches) > method.MaxSwitches || len(r.Proofs) > method.MaxProofs || len(r.Acts) > 64 ||
		len(r.Facts) > method.MaxFacts || len(r.Protection) > method.MaxProtection || len(r.Stops) > method.MaxStops {
		b.fail("more switches, proofs, acts, facts, protection or stops than a visit can keep")
		return
	}
	for i, w := range r.Switches {
		if len(site.Exposes(w.ID, w.Away)) > 0 {
			m.exposed |= 1 << i
		}
		switch w.ID {
		case site.Carrier:
			m.carrier = 1 << i
		case site.Contact:
			m.contact = 1 << i
		}
		switch w.ID {
		case site.Cover, site.TailsIn, site.MeterFit, site.Carrier, site.Seals, site.Contact, site.Shorting, site.VFuses:
			m.service |= 1 << i
		}
	}
	for i, p := range r.Protection {
		if p.Checked {
			m.kit |= 1 << i
		}
	}
	for i, f := range r.Facts {
		if f.Begins != "" {
			m.begins[i] = b.valueOf(i, f.Begins)
		}
		for _, x := range f.Unfinished {
			m.unfinished[i] |= 1 << b.valueOf(i, x)
		}
	}
	b.acts()
	for _, p := range r.Proofs {
		row := proofRow{lastsMS: int64(p.Lasts) * 60_000}
		for _, c := range p.Undone {
			row.undone |= causeBit(c)
		}
		m.proofs = append(m.proofs, row)
	}
	for i := range r.Steps {
		m.steps = append(m.steps, b.step(&r.Steps[i]))
	}
	b.sheets()
	for i, s := range m.steps {
		for set := s.supports; set != 0; set &= set - 1 {
			row := &m.proofs[bits.TrailingZeros16(set)]
			row.supports = append(row.supports, int16(i))
			if s.does == doObserve {
				row.tools |= 1 << s.tool
			}
		}
	}
	for _, s := range r.Stops {
		row := stopRow{resume: -1}
		for f, value := range s.Sets {
			i := index(b, r.Facts, method.MaxFacts, "fact", f, func(x method.Fact) string { return x.ID })
			row.sets[i] = b.valueOf(i, value)
		}
		if s.Resume != "" {
			_, i := r.Step(s.Resume)
			if i < 0 {
				b.fail("stop %s resumes at %q, which is no step", s.ID, s.Resume)
			}
			row.resume = int16(i)
		}
		m.stops = append(m.stops, row)
	}
}

func (b *builder) acts() {
	for _, a := range b.r.Acts {
		row := actRow{}
		for _, set := range a.Sets {
			mask, bit := b.state(map[string]string{string(set.Switch): string(set.Position)})
			row.mask |= mask
			row.set |= bit
		}
		switch a.Effect {
		case site.Energise:
			row.cause = method.Energised
		case site.Rejoin:
			row.cause = method.Rejoined
		case site.Deenergise:
			row.cause = method.Deenergised
		}
		b.m.acts = append(b.m.acts, row)
	}
	for _, ms := range b.r.MakeSafe {
		row := &b.m.acts[b.actIndex(ms.Act)]
		row.makeSafe = true
		row.protect = b.items(ms.Protect)
		row.safeMask, row.safeWant = b.state(ms.State)
	}
}

// sheets gives every step the ends of its sheet.
func (b *builder) sheets() {
	sheets, err := b.r.Sheets()
	if err != nil {
		b.fail("%w", err)
	}
	for i := range b.m.steps {
		b.m.steps[i].first, b.m.steps[i].last = int16(i), int16(i)
	}
	for _, s := range sheets {
		for i := s.First; i <= s.Last; i++ {
			b.m.steps[i].first, b.m.steps[i].last = int16(s.First), int16(s.Last)
		}
	}
}

func (b *builder) step(s *method.Step) step {
	out := step{tool: -1, act: -1, fact: -1, stop: -1}
	out.protect = b.items(s.Protect)
	out.needs = b.proofMask(s.Needs)
	out.supports = b.proofMask(s.Supports)
	out.mask, out.want = b.state(s.State)
	out.when = b.when(b.r.Conditions(s))
	out.stop = b.stop(s.Unexpected)
	for i := range s.Otherwise {
		o := &s.Otherwise[i]
		out.others = append(out.others, other{stop: b.stop(&o.Unexpected), when: b.when(o.When)})
	}
	if len(out.others) > method.MaxOtherwise {
		b.fail("step %s leads to more than %d things otherwise", s.ID, method.MaxOtherwise)
	}
	for _, p := range b.r.Phases {
		if p.ID == s.Phase {
			out.after = slices.Contains(p.Entry, "after")
		}
	}
	switch {
	case s.TakeUp != nil:
		out.does, out.tool = doTakeUp, b.tool(s.TakeUp.Kinds()[0])
		for _, k := range s.TakeUp.Kit {
			out.kit |= 1 << b.tool(k)
		}
		for _, k := range s.TakeUp.Also {
			out.also |= 1 << b.tool(k)
		}
	case s.Check != nil:
		out.does, out.items = doCheck, b.items([]string{s.Check.Item})
	case s.PutOn != nil:
		out.does, out.items = doPutOn, b.items(s.PutOn)
	case s.TakeOff != nil:
		out.does, out.items = doTakeOff, b.items(s.TakeOff)
		// What one piece asks for asks the other as well, where both keep hands and face from conductors.
		for i, p := range b.r.Protection {
			if out.items&(1<<i) != 0 || p.Role != "" && out.items&b.guarding() != 0 {
				b.m.offNeed[i] |= out.needs
			}
		}
	case s.Prove != nil:
		out.does, out.tool = doProve, b.tool(s.Prove.With)
		out.sources = sourceBits(instrument.Kind(s.Prove.With), s.Prove.On)
	case s.Observe != nil:
		out.does, out.tool = doObserve, b.tool(s.Observe.With)
		out.open = s.Observe.Bounds != nil && s.Observe.Bounds.Doubt == rules.DoubtOpen
	case s.Inspect != nil:
		out.does = doInspect
	case s.Decide != nil:
		out.does = doDecide
		out.fact = int8(index(b, b.r.Facts, method.MaxFacts, "fact", s.Decide.Fact, func(f method.Fact) string { return f.ID }))
	case s.Record != nil:
		out.does = doRecord
	case s.Act != "":
		out.does, out.act = doAct, b.actIndex(s.Act)
	default:
		b.fail("step %s does nothing", s.ID)
	}
	return out
}

func (b *builder) when(when map[string][]string) (list []condition) {
	for i, f := range b.r.Facts {
		values, ok := when[f.ID]
		if !ok {
			continue
		}
		c := condition{fact: int8(i), values: 1}
		for j, v := range f.Values {
			if slices.Contains(values, v) {
				c.values |= 1 << (j + 1)
			}
		}
		list = append(list, c)
	}
	return list
}

func (b *builder) stop(u *method.Unexpected) int8 {
	if u == nil || u.Stop == "" {
		return -1
	}
	return int8(index(b, b.r.Stops, method.MaxStops, "stop", u.Stop, func(x method.Stop) string { return x.ID }))
}

// sourceBits gives the proving sources that a step accepts: those it names, or
// every one that suits the kind.
func sourceBits(kind instrument.Kind, named []string) uint8 {
	var m uint8
	for i, src := range instrument.SourceKinds() {
		if instrument.Suits(src, kind) && (len(named) == 0 || slices.Contains(named, string(src))) {
			m |= 1 << i
		}
	}
	return m
}

func causeBit(c method.Cause) uint8 {
	i := slices.Index(method.Causes(), c)
	if i < 0 {
		return 0
	}
	return 1 << i
}
