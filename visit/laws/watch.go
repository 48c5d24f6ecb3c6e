package laws

import "fmt"

// Watch takes a fact that the engine accepted or refused, and returns the next
// state with the laws that were broken.
func (u *Universe) Watch(s State, f Fact, accepted bool) (State, []string) {
	if !accepted {
		return s, refusedWrongly(s, f)
	}
	broken := u.broken(s, f)
	return u.next(s, f), broken
}

// refusedWrongly holds that stopping, reporting, correcting, warning and every
// end but a completed one are never refused between opening and end.
func refusedWrongly(s State, f Fact) []string {
	if !s.begun || s.ended {
		return nil
	}
	switch f.Does {
	case Declared:
		return []string{"declaring a stop was refused"}
	case Reported:
		return []string{"a report was refused"}
	case Withdrawn:
		return []string{"a correction was refused"}
	case Read, Checked, TakenUp:
		if f.Danger || f.Does != Read && !f.Good {
			return []string{"a warning was refused"}
		}
	case Proved:
		if !f.Good {
			return []string{"a failed proving was refused"}
		}
	case Ended:
		if !f.Good {
			return []string{"an end was refused"}
		}
	case LeftPlace:
		return []string{"leaving was refused"}
	}
	return nil
}

func (u *Universe) broken(s State, f Fact) []string {
	if s.ended {
		return []string{"something was accepted after the end"}
	}
	if s.begun == (f.Does == Opened) {
		return []string{"the opening was not the first event, or not the only one"}
	}
	if f.Late {
		return []string{"an answer was taken afterwards in a phase that is entered live"}
	}
	switch f.Does {
	case PutOn:
		if f.Items&(Gloves|Visor)&^s.sound != 0 {
			return []string{"protection was put on that had not been found sound"}
		}
	case Read:
		if f.Good && f.Reading >= 0 && !s.Open(f.Tool) {
			return []string{"a reading was taken for good with an instrument that was not proved before it"}
		}
		return u.probing(s, f)
	case Proved:
		if f.Good && s.inDate&(1<<f.Tool) == 0 {
			return []string{"an instrument counted as proved that was not taken up in date"}
		}
		if f.Good && !f.Suits {
			return []string{"an instrument counted as proved on a source that does not suit it"}
		}
	case Skipped:
		return []string{"steps were passed over without a word"}
	case Ended:
		if f.Good && (s.danger || s.switches&u.service != 0) {
			return []string{"a visit counted as completed with danger standing or the service open"}
		}
	case Resumed:
		if s.grave {
			return []string{"work went on after metalwork, neutral or earth was found live"}
		}
		if s.danger && !s.told {
			return []string{"work went on after danger with nobody told"}
		}
	case TookOff:
		if !f.Relies.Within(s.Closed) {
			return []string{"protection came off relying on readings that no longer stood between two good provings"}
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

func (u *Universe) acting(s State, f Fact) []string {
	law, id := &u.acts[f.Act], u.actIDs[f.Act]
	if s.away {
		return []string{fmt.Sprintf("%s was accepted from somebody who had left", id)}
	}
	if s.danger && !law.calming {
		return []string{fmt.Sprintf("%s was accepted while danger stood", id)}
	}
	if missing := law.protect &^ s.worn; missing != 0 {
		return []string{fmt.Sprintf("%s was accepted without protection worn", id)}
	}
	if s.switches&law.mask != law.want {
		return []string{fmt.Sprintf("%s was accepted with a main switch or source still on", id)}
	}
	var broken []string
	if !f.Relies.Within(s.Closed) {
		broken = append(broken, fmt.Sprintf("%s relied on readings that no longer stood between two good provings", id))
	}
	for _, d := range law.demands {
		if d.any.and(s.Closed).empty() {
			broken = append(broken, d.broken)
		}
	}
	return broken
}

// probing holds that hands meet the conductors of cut-out and meter with gloves
// on, or when they have been shown dead.
func (u *Universe) probing(s State, f Fact) []string {
	if f.Reading < 0 || !f.Good || u.barehand || s.worn&Gloves != 0 {
		return nil
	}
	at := u.readings[f.Reading].At
	if part := at.Part(); part != "meter" && part != "cutout" {
		return nil
	}
	var broken []string
	for _, d := range u.pointLaw[at] {
		if d.any.and(s.Closed).empty() {
			broken = append(broken, fmt.Sprintf("probing %s without gloves %s: %s", at, Evidence, d.words))
		}
	}
	return broken
}

// baring holds that gloves come off beside open conductors only when every
// meter terminal has been shown dead.
func (u *Universe) baring(s State, f Fact) []string {
	if f.Items&Gloves == 0 || s.worn&Gloves == 0 {
		return nil
	}
	for i, id := range u.actIDs {
		if id != "take-tails-out" {
			continue
		}
		// The terminals are within reach once the cover is off.
		if !u.coverOff(s) {
			return nil
		}
		var broken []string
		for _, d := range u.acts[i].demands {
			if d.any.and(s.Closed).empty() {
				broken = append(broken, "gloves came off beside open terminals: "+d.broken)
			}
		}
		return broken
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
		if f.Does == HandedOver {
			s.worn, s.sound = 0, 0
		} else {
			s.away = true
		}
	case CameBack:
		s.away = false
	case TimePassed:
		s.Fresh, s.Closed = Bits{}, Bits{}
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
