package visit

import (
	"cmp"
	"math/bits"
	"reflect"
	"slices"

	"meterwright/instrument"
)

// refuse runs the guards and, when a row bars the attempt, says what cannot be done, what undid
// it, and the way on. c is the control of at with the time passed.
func (v *Visit) refuse(at *state, c *Control, r *reduced) *Refusal {
	rows := v.machine.barred(c, &r.attempt)
	if len(rows) == 0 {
		return nil
	}
	f := &refusing{v: v, at: at, c: c, r: r, Refusal: Refusal{Rows: rows, What: v.cannot(r), Lacks: []Reason{}, Ways: []Reason{}}}
	for _, row := range rows {
		f.explain(row)
		// Nothing else matters under a stop, in another hand or after the end, and the way on of another
		// row ("carry it out") would lead past it.
		if row == RowNoStopInForce || row == RowNotAfterTheEnd || row == RowOneHolder || row == RowInHand {
			break
		}
	}
	return &f.Refusal
}

// refusing is a refusal while its reasons are gathered.
type refusing struct {
	Refusal
	v  *Visit
	at *state
	c  *Control
	r  *reduced
}

// cannot says what cannot be done, as the first part of a refusal.
func (v *Visit) cannot(r *reduced) Reason {
	switch r.do {
	case doAct:
		return Reason{Code: CannotAct, Act: v.machine.Method.Acts[r.act].ID}
	case doObserve, doInspect, doDecide, doRecord, doLeaveOut:
		if r.step >= 0 {
			return Reason{Code: CannotStep, Step: v.machine.Method.Steps[r.step].ID}
		}
	case doTakeOff:
		return Reason{Code: CannotTakeOff, Items: v.itemIDs(r.items)}
	case doPutOn:
		return Reason{Code: CannotPutOn, Items: v.itemIDs(r.items)}
	case doProve:
		return Reason{Code: CannotProve, Kinds: kinds(1 << r.tool)}
	case doReturn:
		return Reason{Code: CannotReturn}
	case doResume:
		return Reason{Code: CannotResume}
	case doEnd:
		return Reason{Code: CannotCallDone}
	case doOpen:
		return Reason{Code: CannotOpen}
	case doCorrect:
		return Reason{Code: CannotTakeBack}
	}
	return Reason{Code: CannotNow}
}

// lack and way add to the two lists, each statement once.
func (f *refusing) lack(r Reason) { f.Lacks = once(f.Lacks, r) }
func (f *refusing) way(r Reason)  { f.Ways = once(f.Ways, r) }

func once(list []Reason, r Reason) []Reason {
	if slices.ContainsFunc(list, func(x Reason) bool { return reflect.DeepEqual(x, r) }) {
		return list
	}
	return append(list, r)
}

func (f *refusing) both(lack, way Code) {
	f.lack(Reason{Code: lack})
	f.way(Reason{Code: way})
}

func (f *refusing) explain(row Row) {
	v, m, c, r := f.v, f.v.machine, f.c, f.r
	switch row {
	case RowOpenedFirst:
		if !c.begun {
			f.both(NotOpened, OpenFirst)
		} else {
			f.both(OpenedAlready, GoOn)
		}
	case RowNotAfterTheEnd:
		if r.do == doSupplement {
			f.both(NotYetEnded, AddNote)
			return
		}
		f.lack(Reason{Code: HasEnded, Outcome: c.ended.String()})
		f.way(Reason{Code: AddSupplement})
	case RowOneHolder:
		if c.contested {
			f.both(HeldByTwo, SettleHolder)
		} else {
			f.both(NotSeen, TakeOver)
		}
	case RowInHand:
		f.both(InAnotherHand, TakeOver)
	case RowPresent:
		f.both(IsAway, SayBack)
	case RowNoStopInForce:
		f.lack(Reason{Code: StopInForce, Stop: v.stopID(c.stop)})
		f.way(Reason{Code: FollowStop})
	case RowInTurn:
		if int(c.pos) < len(m.steps) {
			id := m.Method.Steps[c.pos].ID
			f.lack(Reason{Code: AnotherInTurn, Step: id})
			f.way(Reason{Code: CarryOut, Step: id})
		} else {
			f.both(NoStepLeft, EndOrGoBack)
		}
	case RowEnteredLive:
		f.both(LiveEntryOnly, EnterNow)
	case RowCheckedBeforeWorn:
		items := v.itemIDs(r.items & m.kit &^ c.fit)
		f.lack(Reason{Code: NotChecked, Items: items})
		f.way(Reason{Code: CheckFirst, Items: items})
	case RowProtected:
		items := v.itemIDs(m.protectionFor(c, &r.attempt) &^ c.worn)
		f.lack(Reason{Code: NotWorn, Items: items})
		f.way(Reason{Code: PutOnFirst, Items: items})
	case RowInstrumentInDate, RowInstrumentProved:
		f.explainTool(r.tool)
	case RowSourceSuits:
		f.lack(Reason{Code: SourceUnsuited, Kinds: kinds(1 << r.tool)})
		f.way(Reason{Code: ProveOn, Kinds: kinds(1 << r.tool), Sources: v.sourcesFor(r)})
	case RowProofsHold:
		f.explainProofs(m.steps[r.step].needs &^ m.held(c))
	case RowSwitchesStand:
		f.explainSwitches()
	case RowCovered:
		f.lack(Reason{Code: WithinReach})
		f.explainProofs(m.baring(r.items) &^ m.held(c))
	case RowBackwardsOnly:
		f.both(LaterStep, GoOn)
	case RowToldSomebody:
		f.both(NobodyTold, TellSomebody)
	case RowStopCanBeLeft:
		if c.stop == 0 {
			f.both(NoStopInForce, GoOn)
		} else {
			f.lack(Reason{Code: StopEndsWork, Stop: v.stopID(c.stop)})
			f.way(Reason{Code: EndVisit})
		}
	case RowEverythingDone:
		f.explainUnfinished()
	case RowSlipLast:
		f.both(NotTheLast, CorrectIt)
	case RowSlipOwn:
		f.both(NotOnesOwn, CorrectIt)
	case RowSlipOnce:
		f.both(SlippedBefore, CorrectIt)
	}
}

func (f *refusing) explainTool(tool int8) {
	kind := kinds(1 << tool)
	switch f.c.tools[tool] {
	case toolAbsent:
		f.lack(Reason{Code: NotTakenUp, Kinds: kind})
		f.way(Reason{Code: TakeUp, Kinds: kind})
	case toolOutdated:
		f.lack(Reason{Code: PastCalibration, Kinds: kind})
		f.way(Reason{Code: TakeUpAnother, Kinds: kind})
	default:
		lack := Reason{Code: NotProved, Kinds: kind}
		for i := len(f.v.account.Brackets) - 1; i >= 0; i-- {
			if b := &f.v.account.Brackets[i]; b.Kind == kind[0] && b.State == BracketVoid {
				lack.Code, lack.Cause = NoLongerProved, b.Void
				break
			}
		}
		f.lack(lack)
		f.way(Reason{Code: ProveOrOther, Kinds: kind})
	}
}

func (f *refusing) explainProofs(missing uint16) {
	steps := f.v.machine.Method.Steps
	for ; missing != 0; missing &= missing - 1 {
		p := bits.TrailingZeros16(missing)
		lack := Reason{Code: NotShown, Proof: f.v.machine.Method.Proofs[p].ID}
		first, _ := f.v.machine.span(f.c, p)
		switch f.c.proofs[p].phase {
		case proofAwaiting:
			lack.Code = AwaitsProving
			f.lack(lack)
			f.way(Reason{Code: ProveAgain, Kinds: kinds(f.c.proofs[p].rests)})
			continue
		case proofRunning:
			lack.Code = Unfinished
		default:
			if f.at.control.proofs[p].phase != proofNone {
				// Time undid it just now, which the account learns with the next event.
				cause := timeCause(&f.r.passed)
				if f.at.control.proofs[p].rests&f.r.pastTools != 0 {
					cause = Cause{Code: ByDate}
				}
				lack.Code, lack.Cause = NoLongerShown, &cause
			} else if u := f.v.account.lastUndone(p); u != nil {
				lack.Code, lack.Cause = NoLongerShown, &u.Cause
			}
		}
		f.lack(lack)
		if first >= 0 && first <= f.c.pos {
			f.way(Reason{Code: GoBack, Step: steps[first].ID})
		} else {
			f.way(Reason{Code: GoOn})
		}
	}
}

// Behind says, before anybody comes to a step that is refused for it, what was shown or begun before the position,
// came to nothing since, and is needed ahead: what undid it, and the step to go back to. It is nil where there is nothing.
func (v *Visit) Behind() *Refusal {
	m, c := v.machine, &v.now.control
	var needed uint16
	for i := int(c.pos); i < len(m.steps); i++ {
		if m.ahead(c, int16(i)) && m.applies(c, i) {
			needed |= m.steps[i].needs
		}
	}
	var out Refusal
	for ; needed != 0; needed &= needed - 1 {
		p := bits.TrailingZeros16(needed)
		line := &v.account.Proofs[p]
		if first, _ := m.span(c, p); c.proofs[p].phase == proofNone && line.Lost() && first >= 0 && first < c.pos {
			out.Lacks = once(out.Lacks, Reason{Code: NoLongerShown, Proof: line.ID, Cause: &v.account.lastUndone(p).Cause})
			out.Ways = once(out.Ways, Reason{Code: GoBack, Step: m.Method.Steps[first].ID})
		}
	}
	if out.Lacks == nil {
		return nil
	}
	// From the earliest on everything is carried out again.
	slices.SortStableFunc(out.Ways, func(a, b Reason) int {
		_, x := m.Method.Step(a.Step)
		_, y := m.Method.Step(b.Step)
		return cmp.Compare(x, y)
	})
	out.Ways = out.Ways[:1]
	return &out
}

func (f *refusing) explainSwitches() {
	m, c, r := f.v.machine, f.c, f.r
	var mask, want uint32
	if m.inTurn(c, r.step) {
		mask, want = m.steps[r.step].mask, m.steps[r.step].want
	} else {
		mask, want = m.acts[r.act].safeMask, m.acts[r.act].safeWant
	}
	for i, w := range m.Method.Switches {
		bit := uint32(1) << i
		if mask&bit == 0 || (c.switches^want)&bit == 0 {
			continue
		}
		is, should := w.Home, w.Away
		if want&bit == 0 {
			is, should = w.Away, w.Home
		}
		f.lack(Reason{Code: SwitchStands, Switch: w.ID, Is: is, Should: should})
		for j, row := range m.acts {
			if row.mask&bit != 0 && (row.set^want)&bit == 0 {
				way := Reason{Code: ActFirst, Act: m.Method.Acts[j].ID}
				for k := min(int(c.pos), len(m.steps)) - 1; k >= 0 && way.Step == ""; k-- {
					if m.steps[k].act == int8(j) {
						way.Step = m.Method.Steps[k].ID
					}
				}
				f.way(way)
				break
			}
		}
	}
}

func (f *refusing) explainUnfinished() {
	m, c := f.v.machine, f.c
	if c.stop != 0 {
		f.lack(Reason{Code: StopInForce, Stop: f.v.stopID(c.stop)})
	}
	if int(c.pos) < len(m.steps) {
		f.lack(Reason{Code: StepsLeft, Step: m.Method.Steps[c.pos].ID})
	}
	if c.owed != 0 {
		step := c.owed - 1
		for step > 0 && !m.applies(c, int(step)) {
			step--
		}
		f.lack(Reason{Code: StepOwed, Step: m.Method.Steps[c.owed-1].ID})
		f.way(Reason{Code: GoBack, Step: m.Method.Steps[step].ID})
	}
	if c.away {
		f.lack(Reason{Code: IsAway})
	}
	if i := m.unfinishedBy(c); i >= 0 {
		fact := &m.Method.Facts[i]
		f.lack(Reason{Code: OnAWayBack, Fact: fact.ID, Value: fact.Values[c.facts[i]-1]})
	}
	for i, w := range m.Method.Switches {
		if c.switches&m.service&(1<<i) != 0 {
			f.lack(Reason{Code: SwitchStands, Switch: w.ID, Is: w.Away})
		}
	}
	f.way(Reason{Code: EndOtherwise})
}

func (v *Visit) itemIDs(items uint8) []string {
	var ids []string
	for i, p := range v.machine.Method.Protection {
		if items&(1<<i) != 0 {
			ids = append(ids, p.ID)
		}
	}
	return ids
}

func (v *Visit) sourcesFor(r *reduced) []instrument.SourceKind {
	set := sourceBits(instrument.Models()[r.tool].Kind, nil)
	if r.step >= 0 {
		set = v.machine.steps[r.step].sources
	}
	var list []instrument.SourceKind
	for i, s := range instrument.SourceKinds() {
		if set&(1<<i) != 0 {
			list = append(list, s)
		}
	}
	return list
}

func kinds(set uint16) []instrument.Kind {
	var list []instrument.Kind
	for i, m := range instrument.Models() {
		if set&(1<<i) != 0 {
			list = append(list, m.Kind)
		}
	}
	return list
}
