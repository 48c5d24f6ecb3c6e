package laws

import "math/bits"

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
	case Read, Checked, TakenUp:
		if f.Danger || f.Does != Read && !f.Good {
			return one(WarningRefused)
		}
	case Proved:
		if !f.Good {
			return one(WarningRefused)
		}
	case Ended:
		if !f.Good {
			return one(EndRefused)
		}
	case LeftPlace:
		return one(LeavingRefused)
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
	switch {
	case s.ended:
		return one(AfterTheEnd)
	case s.begun == (f.Does == Opened):
		return one(OpeningNotFirst)
	case f.Late:
		return one(EnteredLate)
	case f.Contested && u.onward(f):
		return one(HeldByTwo)
	case f.Foreign && u.onward(f):
		return one(NotTheHolder)
	}
	switch f.Does {
	case PutOn:
		if f.Items&u.wear.Checked&^s.sound != 0 {
			return one(NotSound)
		}
	case Read:
		if f.Good && f.Reading >= 0 && !s.Open(f.Tool) {
			return one(NotProvedBefore)
		}
		return u.probing(s, f)
	case Proved:
		if f.Good && s.inDate&(1<<f.Tool) == 0 {
			return one(NotInDate)
		}
		if f.Good && !f.Suits {
			return one(SourceUnsuited)
		}
	case Skipped:
		return one(PassedOver)
	case Ended:
		if f.Good && (s.danger || s.switches&u.service != 0) {
			return one(CompletedInDanger)
		}
		if f.Good && s.owed != 0 {
			return one(CompletedOwing)
		}
	case Resumed:
		if s.grave {
			return one(OnAfterGrave)
		}
		if s.danger && !s.told {
			return one(OnUntold)
		}
	case TookOff:
		if !f.Relies.Within(s.Closed) {
			return one(BaredOnVoid)
		}
		if !f.InSpite {
			return u.baring(s, f)
		}
	case Acted:
		if !f.InSpite {
			return u.acting(s, f)
		}
	}
	return nil
}

func (u *Universe) acting(s State, f Fact) []Breach {
	law, id := &u.acts[f.Act], u.actIDs[f.Act]
	switch {
	case s.away:
		return []Breach{{Law: ActedAway, Act: id}}
	case s.danger && !law.calming:
		return []Breach{{Law: ActedInDanger, Act: id}}
	case law.protect&^s.worn != 0 || law.gloved && u.wear.Gloves == 0:
		return []Breach{{Law: WithoutProtection, Act: id}}
	}
	if wrong := s.switches&law.mask ^ law.want; wrong != 0 {
		return []Breach{{Law: SwitchStood, Act: id, Switch: u.switches[bits.TrailingZeros32(wrong)].ID}}
	}
	var broken []Breach
	if !f.Relies.Within(s.Closed) {
		broken = append(broken, Breach{Law: ActedOnVoid, Act: id})
	}
	return append(broken, lacking(law.demands, s.Closed, Breach{Law: WithoutEvidence, Act: id})...)
}

// lacking lists the demands that nothing meets.
func lacking(demands []demand, have Bits, of Breach) (broken []Breach) {
	for _, d := range demands {
		if d.any.and(have).empty() {
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
	if f.Reading < 0 || !f.Good || s.worn&u.wear.Gloves != 0 {
		return nil
	}
	at := u.readings[f.Reading].At
	if part := at.Part(); part != "meter" && part != "cutout" {
		return nil
	}
	return lacking(u.pointLaw[at], s.Closed, Breach{Law: ProbedBare})
}

// baring holds that gloves come off beside open conductors only when every
// meter terminal has been shown dead.
func (u *Universe) baring(s State, f Fact) []Breach {
	if f.Items&u.wear.Gloves == 0 || s.worn&u.wear.Gloves == 0 {
		return nil
	}
	for i, id := range u.actIDs {
		// The terminals are within reach once the cover is off.
		if id == "take-tails-out" && u.coverOff(s) {
			return lacking(u.acts[i].demands, s.Closed, Breach{Law: GlovesOff})
		}
	}
	return nil
}

func (u *Universe) coverOff(s State) bool {
	for i, id := range u.actIDs {
		if id == "take-cover-off" {
			law := &u.acts[i]
			return s.switches&law.setMask == law.sets&law.setMask
		}
	}
	return false
}

func (u *Universe) next(s State, f Fact) State {
	if f.InSpite {
		// What happens outside the method leaves nothing to rely on.
		s.Fresh, s.Closed, s.open = Bits{}, Bits{}, 0
	}
	switch f.Does {
	case Opened:
		s.begun = true
	case TakenUp:
		s = u.drop(s, f.Tool)
		s.inDate &^= 1 << f.Tool
		if f.Good {
			s.inDate |= 1 << f.Tool
		}
	case Checked:
		if f.Good {
			s.sound |= f.Items
		} else {
			s.sound &^= f.Items
			s.worn &^= f.Items
		}
	case PutOn:
		s.worn |= f.Items
	case TookOff:
		s.worn &^= f.Items
	case Proved:
		s = u.proved(s, f)
	case Read:
		s = u.read(s, f)
	case Acted:
		s = u.acted(s, f)
	case LeftPlace, HandedOver:
		s = u.leave(s)
		// Whoever comes back, or takes over, puts on anew.
		s.worn = 0
		if f.Does == HandedOver {
			s.sound = 0
		} else {
			s.away = true
		}
	case CameBack:
		s.away = false
	case TimePassed:
		// Nothing that was seen is for ever.
		s.Fresh, s.Closed = Bits{}, Bits{}
		s.sound, s.worn = 0, s.worn&^u.wear.Checked
	case DatePassed:
		s.sound, s.worn = s.sound&^f.Items, s.worn&^(f.Items&u.wear.Checked)
		if f.Tool >= 0 {
			s = u.drop(s, f.Tool)
			s.inDate &^= 1 << f.Tool
		}
	case Withdrawn:
		s = u.withdrawn(s, f)
	case Declared:
		s.danger, s.told = true, false
		s.Fresh, s.Closed = Bits{}, Bits{}
	case Reported:
		s.told = s.told || s.danger
	case Resumed:
		s.danger, s.told = false, false
	case Ended:
		s.ended = true
	}
	if f.Owes != 0 && (s.owed == 0 || f.Owes < s.owed) {
		s.owed = f.Owes
	}
	if s.owed > f.Place {
		s.owed = 0
	}
	return s
}

// drop ends the open bracket of a tool as void.
func (u *Universe) drop(s State, tool int) State {
	s.open &^= 1 << tool
	s.Fresh = s.Fresh.minus(u.ofTool[tool])
	return s
}

func (u *Universe) proved(s State, f Fact) State {
	if !f.Good || !f.Suits {
		return u.drop(s, f.Tool)
	}
	if s.Open(f.Tool) {
		s.Closed = s.Closed.or(s.Fresh.and(u.ofTool[f.Tool]))
		s.Fresh = s.Fresh.minus(u.ofTool[f.Tool])
	}
	s.open |= 1 << f.Tool
	return s
}

func (u *Universe) read(s State, f Fact) State {
	if f.Danger {
		s.danger, s.told = true, false
		s.grave = s.grave || f.Reading >= 0 && u.grave.has(f.Reading)
	}
	if f.Reading < 0 {
		return s
	}
	if f.Danger || !f.Good {
		var b Bits
		b.set(f.Reading)
		s.Fresh, s.Closed = s.Fresh.minus(b), s.Closed.minus(b)
		return s
	}
	if s.Open(f.Tool) {
		s.Fresh.set(f.Reading)
	}
	return s
}

func (u *Universe) acted(s State, f Fact) State {
	law := &u.acts[f.Act]
	s.switches = s.switches&^law.setMask | law.sets
	if law.energise {
		lost := u.dead.or(u.metal).or(u.still).or(u.joints)
		if law.refit {
			lost = lost.or(u.live).or(u.other)
		} else {
			// A load or a source joined behind the meter says nothing new about the
			// neutral that was seen quiet to earth on the supply side.
			lost = lost.minus(u.neutral)
		}
		s.Fresh, s.Closed = s.Fresh.minus(lost), s.Closed.minus(lost)
	}
	if law.deenergise {
		// What was seen live is so no longer.
		lost := u.atMeter.or(u.other)
		s.Fresh, s.Closed = s.Fresh.minus(lost), s.Closed.minus(lost)
	}
	if law.rejoin {
		// Other conductors may now be at the terminals.
		lost := u.joints.or(u.atMeter).or(u.other)
		s.Fresh, s.Closed = s.Fresh.minus(lost), s.Closed.minus(lost)
	}
	return s
}

func (u *Universe) leave(s State) State {
	lost := u.dead.or(u.metal).or(u.still).or(u.joints).or(u.live).or(u.other)
	s.Fresh, s.Closed = Bits{}, s.Closed.minus(lost)
	s.open = 0
	return s
}

func (u *Universe) withdrawn(s State, f Fact) State {
	if f.Reading >= 0 {
		var b Bits
		b.set(f.Reading)
		s.Fresh, s.Closed = s.Fresh.minus(b), s.Closed.minus(b)
		if f.Danger {
			s.danger, s.told = true, false
		}
		return s
	}
	if f.Tool >= 0 {
		s = u.drop(s, f.Tool)
		s.Closed = s.Closed.minus(u.ofTool[f.Tool])
		if f.TakeUp {
			s.inDate &^= 1 << f.Tool
		}
	}
	s.sound &^= f.Items
	s.worn &^= f.Items
	return s
}
