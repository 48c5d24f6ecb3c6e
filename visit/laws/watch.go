package laws

import (
	"math/bits"

	"meterwright/site"
)

// Watch takes a fact that the engine accepted or refused, and returns the next
// state with the laws that were broken.
func (u *Universe) Watch(s State, f Fact, accepted bool) (State, []Breach) {
	if !accepted {
		return s, refusedWrongly(s, f)
	}
	broken := u.broken(s, f)
	return u.next(s, f), broken
}

func one(l Law) []Breach { return []Breach{{Law: l}} }

// refusedWrongly holds that stopping, reporting, correcting, warning and every
// end but a completed one are never refused between opening and end.
func refusedWrongly(s State, f Fact) []Breach {
	if !s.begun || s.ended {
		return nil
	}
	switch f.Does {
	case Declared:
		return one(StopRefused)
	case Reported:
		return one(ReportRefused)
	case Withdrawn:
		return one(CorrectionRefused)
	case LeftPlace:
		return one(LeavingRefused)
	case Read:
		if f.Danger {
			return one(WarningRefused)
		}
	case Checked, TakenUp, Proved:
		if !f.Good {
			return one(WarningRefused)
		}
	case Ended:
		if !f.Good {
			return one(EndRefused)
		}
	}
	return nil
}

// onward reports whether a fact carries the work on.
func (u *Universe) onward(f Fact) bool {
	switch f.Does {
	case PutOn, TookOff, Skipped, LeftOut, Resumed:
		return true
	case TakenUp, Checked, Proved, Read:
		return f.Good
	case Acted:
		return !u.acts[f.Act].calming
	}
	return false
}

func (u *Universe) broken(s State, f Fact) []Breach {
	does := f.Does
	switch {
	case s.ended:
		return one(AfterTheEnd)
	case s.begun == (does == Opened):
		return one(OpeningNotFirst)
	case f.Late:
		return one(EnteredLate)
	case f.Contested && u.onward(f):
		return one(HeldByTwo)
	case f.Foreign && u.onward(f):
		return one(NotTheHolder)
	case s.stands && !f.Stands && does != Resumed && !s.retested(f):
		return one(LiftedUntested)
	case does == Slipped && (f.Answer == 0 || f.Answer != s.last):
		return one(SlipNotLast)
	case does == Slipped && f.Stranger:
		return one(SlipOfAnother)
	case does == Slipped && f.Again:
		return one(SlipTwice)
	case does == PutOn && f.Items&u.wear.Checked&^s.Sound != 0:
		return one(NotSound)
	case does == Read && (f.Good || f.Doubt) && f.Reading >= 0 && f.Tool >= 0 && !s.open(f.Tool):
		return one(NotProvedBefore)
	case does == Read:
		return u.probing(s, f)
	case does == Proved && f.Good && s.InDate&(1<<f.Tool) == 0:
		return one(NotInDate)
	case does == Proved && f.Good && !f.Suits:
		return one(SourceUnsuited)
	case does == Skipped:
		return one(PassedOver)
	case does == Ended && f.Good && (s.danger || s.switches&u.service != 0):
		return one(CompletedInDanger)
	case does == Ended && f.Good && s.Owed != 0:
		return one(CompletedOwing)
	case does == Resumed && s.grave:
		return one(OnAfterGrave)
	case does == Resumed && s.danger && !s.told:
		return one(OnUntold)
	case does == TookOff && !f.Relies.Within(s.Closed):
		return one(BaredOnVoid)
	case does == TookOff && !f.InSpite:
		return u.baring(s, f)
	case does == Acted && !f.InSpite:
		return u.acting(s, f)
	}
	return nil
}

func (u *Universe) acting(s State, f Fact) []Breach {
	law := &u.acts[f.Act]
	wrong := s.switches&law.mask ^ law.want
	switch {
	case s.away:
		return []Breach{{Law: ActedAway, Act: law.id}}
	case s.danger && !law.calming:
		return []Breach{{Law: ActedInDanger, Act: law.id}}
	case law.protect&^s.Worn != 0 || law.gloved && u.wear.Gloves == 0:
		return []Breach{{Law: WithoutProtection, Act: law.id}}
	case wrong != 0:
		return []Breach{{Law: SwitchStood, Act: law.id, Switch: u.switches[bits.TrailingZeros32(wrong)].ID}}
	}
	broken := u.lacking(law.demands, s.Closed, Breach{Law: WithoutEvidence, Act: law.id})
	if !f.Relies.Within(s.Closed) {
		broken = append(broken, Breach{Law: ActedOnVoid, Act: law.id})
	}
	return broken
}

// lacking lists the demands that nothing meets.
func (u *Universe) lacking(demands []demand, have Bits, of Breach) (broken []Breach) {
	for _, d := range demands {
		if !u.met(d, have) {
			b := of
			b.At, b.Needs = d.at, d.needs
			broken = append(broken, b)
		}
	}
	return broken
}

// probing holds that hands meet the conductors of cut-out and meter with gloves
// on, or when they have been shown dead.
func (u *Universe) probing(s State, f Fact) []Breach {
	if f.Reading < 0 || !f.Good || s.Worn&u.wear.Gloves != 0 {
		return nil
	}
	at := u.readings[f.Reading].At
	if part := at.Part(); part != "meter" && part != "cutout" && part != "testblock" {
		return nil
	}
	return u.lacking(u.pointLaw[at], s.Closed, Breach{Law: ProbedBare})
}

// baring holds that gloves come off beside open conductors only when every
// meter terminal has been shown dead and the live contact is shrouded.
func (u *Universe) baring(s State, f Fact) []Breach {
	// The terminals are within reach once the cover is off.
	switch {
	case f.Items&s.Worn&u.wear.Gloves == 0 || s.switches&u.cover == 0:
		return nil
	case s.switches&u.carrier != 0 && s.switches&u.contact == 0:
		return []Breach{{Law: GlovesOff, Switch: site.Contact}}
	}
	for i := range u.acts {
		if u.acts[i].id == "take-tails-out" || u.links != 0 && u.acts[i].id == "take-meter-off" {
			return u.lacking(u.acts[i].demands, s.Closed, Breach{Law: GlovesOff})
		}
	}
	return nil
}

// retested reports whether a fact is the last part of testing a point again of which an answer was a slip.
func (s State) retested(f Fact) bool {
	switch {
	case s.retest == 0 || !f.Good:
		return false
	case s.retestTool < 0:
		return f.Answer == s.retest && (f.Does == Read || f.Does == Checked)
	}
	return s.tested && s.open(s.retestTool) && f.Does == Proved && f.Suits && f.Tool == s.retestTool
}

// again takes what has to do with slips past a fact, before anything else of it is taken.
func (s State) again(f Fact) State {
	alarm := !s.stands && f.Stands && !s.danger
	done := s.retested(f)
	switch {
	case done:
		s.danger, s.told, s.grave = false, false, false
		s.retest = 0
	case f.Does == Slipped && s.alarm:
		s.retest, s.retestTool, s.proved, s.tested = f.Answer, f.Tool, false, false
	case s.retest == 0:
	case f.Does == Proved && f.Tool == s.retestTool && f.Good && f.Suits:
		s.proved, s.tested = true, false
	case f.Does == Read && f.Answer == s.retest && f.Good && s.proved && s.open(f.Tool):
		s.tested = true
	case f.Does == Unlikely, f.Does == Reported, f.Does == PutOn, f.Does == Checked && f.Good, f.Does == TimePassed,
		(f.Does == Proved || f.Does == TakenUp || f.Does == DatePassed) && (f.Tool < 0 || f.Tool != s.retestTool):
	default:
		s.retest = 0
	}
	if s.retest == 0 {
		s.retestTool, s.proved, s.tested = 0, false, false
	}
	s.last, s.alarm, s.stands = 0, false, f.Stands
	switch f.Does {
	case TakenUp, Checked, Proved, Read, LeftOut, Unlikely:
		s.last, s.alarm = f.Answer, alarm && f.Answer != 0
	}
	return s
}

func (u *Universe) next(s State, f Fact) State {
	s = s.again(f)
	if f.InSpite {
		// What happens outside the method leaves nothing to rely on.
		s = s.without(everything)
		s.Open = 0
	}
	switch f.Does {
	case Opened:
		s.begun = true
	case TakenUp:
		s = u.drop(s, f.Tool)
		s.InDate &^= 1 << f.Tool
		if f.Good {
			s.InDate |= 1 << f.Tool
		}
	case Checked:
		if f.Good {
			s.Sound |= f.Items
		} else {
			s.Sound, s.Worn = s.Sound&^f.Items, s.Worn&^f.Items
		}
	case PutOn:
		s.Worn |= f.Items
	case TookOff:
		s.Worn &^= f.Items
	case Proved:
		s = u.proved(s, f)
	case Read:
		s = u.read(s, f)
	case Acted:
		law := &u.acts[f.Act]
		was := s.switches
		if s.switches = was&^law.setMask | law.sets; s.switches != was || !law.calming {
			s = s.without(law.lost)
		}
	case LeftPlace, HandedOver:
		// Whoever comes back, or takes over, puts on anew.
		s = s.without(everything)
		s.Open, s.Worn = 0, 0
		if f.Does == HandedOver {
			s.Sound = 0
		} else {
			s.away = true
		}
	case CameBack:
		s.away = false
	case TimePassed:
		// Nothing that was seen is for ever.
		s = s.without(everything)
		s.Sound, s.Worn = 0, s.Worn&^u.wear.Checked
	case DatePassed:
		s.Sound, s.Worn = s.Sound&^f.Items, s.Worn&^(f.Items&u.wear.Checked)
		if f.Tool >= 0 {
			s = u.drop(s, f.Tool)
			s.InDate &^= 1 << f.Tool
		}
	case Withdrawn:
		s = u.withdrawn(s, f)
	case Slipped:
		s = u.slipped(s, f)
	case Declared:
		s.danger, s.told = true, false
		s = s.without(everything)
	case Reported:
		s.told = s.told || s.danger
	case Resumed:
		s.danger, s.told = false, false
	case Ended:
		s.ended = true
	}
	if f.Owes != 0 && (s.Owed == 0 || f.Owes < s.Owed) {
		s.Owed = f.Owes
	}
	if s.Owed > f.Place {
		s.Owed = 0
	}
	return s
}

// drop ends the open bracket of a tool as void.
func (u *Universe) drop(s State, tool int) State {
	s.Open &^= 1 << tool
	s.Fresh = s.Fresh.Minus(u.ofTool[tool])
	return s
}

func (u *Universe) proved(s State, f Fact) State {
	if f.Good && f.Suits && s.open(f.Tool) {
		s.Closed = s.Closed.or(s.Fresh.And(u.ofTool[f.Tool]))
	}
	s = u.drop(s, f.Tool)
	if f.Good && f.Suits {
		s.Open |= 1 << f.Tool
	}
	return s
}

func (u *Universe) read(s State, f Fact) State {
	if f.Danger {
		s.danger, s.told = true, false
		s.grave = s.grave || f.Reading >= 0 && u.grave.has(f.Reading)
	}
	asked := f.Reading >= 0 && s.Asked == int16(f.Reading)+1
	switch {
	case (f.Doubt || f.Odd) && f.Reading >= 0 && u.readings[f.Reading].Says == Other:
		// What is in doubt counts where no hand relies on it, and when it was so at the reading before, too.
		f.Good, s.Asked = f.Doubt && asked, int16(f.Reading)+1
	case asked:
		s.Asked = 0
	}
	switch {
	case f.Reading < 0:
	case f.Danger || !f.Good:
		return s.without(Bits{}.With(f.Reading))
	case f.Tool < 0:
		s.Closed.add(f.Reading)
	case s.open(f.Tool):
		s.Fresh.add(f.Reading)
	}
	return s
}

func (u *Universe) withdrawn(s State, f Fact) State {
	if f.Reading >= 0 {
		if f.Danger {
			s.danger, s.told = true, false
		}
		return s.without(Bits{}.With(f.Reading))
	}
	if f.Tool >= 0 {
		s = u.drop(s, f.Tool)
		s.Closed = s.Closed.Minus(u.ofTool[f.Tool])
		if f.TakeUp {
			s.InDate &^= 1 << f.Tool
		}
	}
	s.Sound, s.Worn = s.Sound&^f.Items, s.Worn&^f.Items
	return s
}

// slipped is withdrawn, but that a slip never raises a danger, that one of a proving that failed takes nothing,
// and that under the stop that it had raised the reading's bracket is void.
func (u *Universe) slipped(s State, f Fact) State {
	if f.Reading < 0 {
		if f.Tool >= 0 && !f.Good && !f.TakeUp {
			return s
		}
		return u.withdrawn(s, f)
	}
	if s.retest != 0 && f.Tool >= 0 {
		s = u.drop(s, f.Tool)
	}
	return s.without(Bits{}.With(f.Reading))
}
