// Package laws states what must be true of the events of any visit, whatever
// its method: the rules of the trade about what an act may rely on.
//
// It knows nothing of methods, proofs or guards. It watches events as facts
// about points, instruments and switches, and says which rule an accepted event
// broke. A search over every reachable state of the engine feeds it.
//
// The rules come from common practice [P] and, for live work and proving dead,
// from the Electricity at Work Regulations 1989, regulations 4 and 12 to 16 [S].
package laws

import (
	"fmt"
	"slices"
	"strings"

	"meterwright/site"
)

// Says is what a reading says about the point it was taken at.
type Says uint8

// What readings say.
const (
	// Quiet: no voltage.
	Quiet Says = iota + 1
	// Live: a voltage, as a supply gives it.
	Live
	// Joined: a resistance as low as a joint.
	Joined
	// Parted: no connection.
	Parted
	// Still: no current.
	Still
	// Other: anything else, good or bad, that no law relies on.
	Other
)

// Reading is one kind of reading that a visit can make.
type Reading struct {
	Tool        int
	At, Against site.PointID
	Says        Says
}

// Bits is a set of readings of a universe.
type Bits [2]uint64

func (b Bits) has(i int) bool    { return b[i/64]&(1<<(i%64)) != 0 }
func (b *Bits) set(i int)        { b[i/64] |= 1 << (i % 64) }
func (b Bits) and(o Bits) Bits   { return Bits{b[0] & o[0], b[1] & o[1]} }
func (b Bits) or(o Bits) Bits    { return Bits{b[0] | o[0], b[1] | o[1]} }
func (b Bits) minus(o Bits) Bits { return Bits{b[0] &^ o[0], b[1] &^ o[1]} }
func (b Bits) empty() bool       { return b == Bits{} }

// Within reports whether every reading of b is in o.
func (b Bits) Within(o Bits) bool { return b.minus(o).empty() }

// Does is what a fact is about.
type Does uint8

// The facts.
const (
	TakenUp    Does = iota + 1 // an instrument; Good when in date
	Checked                    // protection; Good when sound
	PutOn                      // protection
	TookOff                    // protection
	Proved                     // an instrument; Good when it responded, Suits when the source suits it
	Read                       // a reading; Danger when it shows voltage where none may be
	Acted                      // an act
	LeftPlace                  // the person left the service position
	CameBack                   // and came back
	HandedOver                 // another person took over
	TimePassed                 // more time than any proof or check lasts, or time that is not known
	DatePassed                 // the day on which protection or an instrument falls due: Items, Tool
	Withdrawn                  // an answer was corrected: Reading, or Tool for a proving, with TakeUp for its date
	Declared                   // the person declared a stop
	Reported                   // somebody was told
	Resumed                    // a decision to go on
	Ended                      // the visit ended; Good when as completed
	Opened
	Skipped // going forward past steps without a word
	LeftOut // a step is not carried out
	// Unlikely is any other fact, which no law mentions.
	Unlikely
)

// Fact is one event as a law sees it.
type Fact struct {
	Does    Does
	Tool    int
	Good    bool
	Suits   bool
	Danger  bool
	Reading int // index in the universe, or -1
	Act     int // index in the site's acts
	Items   uint8
	InSpite bool
	TakeUp  bool
	// Relies is what the engine's reason for accepting an act rests on: every
	// reading of it must stand between two good provings.
	Relies Bits
	// Late says that the answer was entered after a phase that is entered live.
	Late bool
	// Foreign says that it was made on a device that does not hold the visit, Contested that two do.
	Foreign, Contested bool
	// Owes is 1 + the earliest place in the order of the work that was passed over, 0 for none, and
	// Place the place at which the work stands afterwards.
	Owes, Place int16
}

// Wear says which bits of protection are what.
type Wear struct {
	Gloves, Visor uint8
	// Checked is whatever has to be found sound before it is worn.
	Checked uint8
}

// State is what a law remembers. States are comparable.
type State struct {
	// Fresh holds readings whose bracket is still open, Closed those between two
	// good provings.
	Fresh, Closed Bits
	Remembered
}

// Remembered is the part of a State that is not evidence.
type Remembered struct {
	open, inDate uint16
	worn, sound  uint8
	away, danger bool
	grave        bool
	told, ended  bool
	begun        bool
	owed         int16
	switches     uint32
}

// Open reports whether a tool stands between a good proving and the next.
func (s State) Open(tool int) bool { return s.open&(1<<tool) != 0 }

// Worn returns the bits of the protection that is worn.
func (s State) Worn() uint8 { return s.worn }

// Assume returns s with the given protection found sound and worn, and the given
// tools taken up in date and open, so that a search can try them all.
func (s State) Assume(sound, worn uint8, inDate, open uint16) State {
	s.sound, s.worn, s.inDate, s.open = sound, worn, inDate, open
	return s
}

// Counts reports whether a reading counts, or will when its instrument is proved again.
func (s State) Counts(reading int) bool { return s.Fresh.has(reading) || s.Closed.has(reading) }

// Owed returns 1 + the earliest place that was passed over and not gone back to, or 0.
func (s State) Owed() int16 { return s.owed }

// WithOwed returns s with that place passed over.
func (s State) WithOwed(owed int16) State { s.owed = owed; return s }

// InDate returns the bits of the tools that were taken up in date.
func (s State) InDate() uint16 { return s.inDate }

// OpenTools returns the bits of the tools that stand in an open bracket.
func (s State) OpenTools() uint16 { return s.open }

// Sound returns the bits of the protection that was found sound.
func (s State) Sound() uint8 { return s.sound }

// OfTool returns the readings that a tool makes.
func (u *Universe) OfTool(tool int) Bits { return u.ofTool[tool] }

// All returns the set of the first n readings.
func All(n int) Bits {
	var b Bits
	for i := range n {
		b.set(i)
	}
	return b
}

// Minus returns the readings of b that are not in o.
func (b Bits) Minus(o Bits) Bits { return b.minus(o) }

// With returns b and one reading more.
func (b Bits) With(i int) Bits { b.set(i); return b }

// And returns the readings in both sets.
func (b Bits) And(o Bits) Bits { return b.and(o) }

// demand is one thing that an act relies on: any one of the readings will do.
type demand struct {
	at    site.PointID
	needs Needs
	any   Bits
}

type actLaw struct {
	demands    []demand
	protect    uint8
	mask       uint32
	want       uint32
	sets       uint32
	setMask    uint32
	energise   bool
	deenergise bool
	rejoin     bool
	refit      bool
	calming    bool
	// gloved says that hands are at or near live parts, whatever the method calls protection.
	gloved bool
}

// Universe is the laws made ready for one service position.
type Universe struct {
	readings []Reading
	ofTool   map[int]Bits
	metal    Bits // readings that metalwork is quiet
	dead     Bits // readings that conductors are quiet
	neutral  Bits // those of dead that show a neutral in its place
	live     Bits // readings that conductors are live
	atMeter  Bits // those of live at the meter, where tails are joined
	other    Bits // readings that no law about touching relies on
	joints   Bits
	still    Bits
	grave    Bits // readings whose contrary ends the work
	service  uint32
	acts     []actLaw
	actIDs   []site.ActID
	pointLaw map[site.PointID][]demand
	switches []site.Switch
	wear     Wear
}

// New prepares the laws for a position, the readings that a visit there can make, and what is worn.
func New(points []site.Point, switches []site.Switch, acts []site.Act, readings []Reading, wear Wear) (*Universe, error) {
	if len(readings) > 128 {
		return nil, fmt.Errorf("%d kinds of reading are more than the 128 that a state can hold", len(readings))
	}
	u := &Universe{wear: wear, switches: switches, readings: readings, ofTool: map[int]Bits{}, pointLaw: map[site.PointID][]demand{}}
	kind := map[site.PointID]site.Conductor{}
	for _, p := range points {
		kind[p.ID] = p.Conductor
	}
	for i, r := range readings {
		b := u.ofTool[r.Tool]
		b.set(i)
		u.ofTool[r.Tool] = b
		switch {
		case r.Says == Quiet && kind[r.At] == site.Metal:
			u.metal.set(i)
			u.grave.set(i)
		case r.Says == Quiet:
			u.dead.set(i)
			if kind[r.At] == site.Neutral && (r.Against == site.MET || r.At.Part() == "meter") {
				u.neutral.set(i)
			}
			if r.Against == site.Reference || r.Against == site.Body {
				u.grave.set(i)
			}
		case r.Says == Live:
			u.live.set(i)
			if r.At.Part() == "meter" {
				u.atMeter.set(i)
			}
		case r.Says == Joined, r.Says == Parted:
			u.joints.set(i)
		case r.Says == Still:
			u.still.set(i)
		default:
			u.other.set(i)
		}
	}
	for i, w := range switches {
		switch w.ID {
		case site.Carrier, site.Cover, site.TailsIn, site.MeterFit, site.Seals:
			u.service |= 1 << i
		}
	}
	for _, p := range points {
		u.pointLaw[p.ID] = u.touching(p)
	}
	for _, a := range acts {
		u.actIDs = append(u.actIDs, a.ID)
		u.acts = append(u.acts, u.act(a, points, switches))
	}
	return u, nil
}

// find gathers the readings of a kind at a point against any of the references.
func (u *Universe) find(at site.PointID, says Says, against ...site.PointID) Bits {
	var b Bits
	for i, r := range u.readings {
		if r.Says != says {
			continue
		}
		for _, ref := range against {
			if r.At == at && r.Against == ref || r.At == ref && r.Against == at {
				b.set(i)
			}
		}
	}
	return b
}

// touching is what must have been seen before a hand meets a point: metal quiet
// to the person or to an independent earth; a conductor quiet to earth, and a
// line also to neutral; and, because a reversed supply passes both, neutral and
// earth themselves quiet to an independent earth or to the person.
func (u *Universe) touching(p site.Point) []demand {
	independent := []site.PointID{site.Reference, site.Body}
	if p.Conductor == site.Metal {
		return []demand{{p.ID, Unearthed, u.find(p.ID, Quiet, independent...)}}
	}
	ds := []demand{
		{p.ID, QuietToEarth, u.find(p.ID, Quiet, site.MET)},
		{site.CutoutN, Unearthed, u.find(site.CutoutN, Quiet, independent...)},
		{site.MET, Unearthed, u.find(site.MET, Quiet, independent...)},
	}
	if p.Conductor == site.Line {
		ds = append(ds, demand{p.ID, QuietToNeutral, u.find(p.ID, Quiet, site.CutoutN)})
	}
	return ds
}

func (u *Universe) act(a site.Act, points []site.Point, switches []site.Switch) actLaw {
	law := actLaw{energise: a.Effect == site.Energise, deenergise: a.Effect == site.Deenergise, rejoin: a.Effect == site.Rejoin, refit: a.ID == "refit-carrier", calming: a.MakeSafe}
	for _, set := range a.Sets {
		for i, w := range switches {
			if w.ID == set.Switch {
				law.setMask |= 1 << i
				if set.Position == w.Away {
					law.sets |= 1 << i
				}
			}
		}
	}
	away := func(match func(site.SwitchID) bool) {
		for i, w := range switches {
			if match(w.ID) {
				law.mask |= 1 << i
				law.want |= 1 << i
			}
		}
	}
	home := func(ids ...site.SwitchID) {
		for i, w := range switches {
			if slices.Contains(ids, w.ID) {
				law.mask |= 1 << i
			}
		}
	}
	mains := func(id site.SwitchID) bool { return strings.HasPrefix(string(id), "main.") }
	sources := func(id site.SwitchID) bool { return strings.HasPrefix(string(id), "source.") }
	if !a.MakeSafe {
		for _, p := range a.Touches {
			law.demands = append(law.demands, u.pointLaw[p]...)
		}
	}
	line := func(suffix string) []site.PointID {
		var ids []site.PointID
		for _, p := range points {
			// A switched terminal may be live or not, as its own switch has it.
			if p.Conductor == site.Line && p.ID.Part() == "meter" && p.ID != "meter.sw-out" && strings.HasSuffix(string(p.ID), suffix) {
				ids = append(ids, p.ID)
			}
		}
		return ids
	}
	right := func(suffix string) {
		for _, p := range line(suffix) {
			law.demands = append(law.demands, demand{p, LiveToEarth, u.find(p, Live, site.MET)})
		}
		n := site.PointID("meter.n" + suffix)
		law.demands = append(law.demands, demand{n, QuietToEarth, u.find(n, Quiet, site.MET)})
	}
	switch {
	case a.ID == "withdraw-carrier":
		// Reversed line and neutral would leave the meter live with the carrier out,
		// and a carrier is not a load switch.
		right("-in")
		right("-out")
		law.demands = append(law.demands, demand{"", NilLoad, u.still})
		law.gloved, law.protect = true, u.wear.Gloves|u.wear.Visor
		away(mains)
		away(sources)
	case a.ID == "refit-carrier":
		// A crossed meter must not be found by pushing a fuse onto a short.
		for _, p := range line("-in") {
			l, _, _ := strings.Cut(p.Place(), "-")
			law.demands = append(law.demands, demand{p, JoinedToCutout, u.find(p, Joined, site.PointID("cutout."+l+"-load"))})
		}
		for _, p := range line("-out") {
			law.demands = append(law.demands,
				demand{p, PartedFromNeutral, u.find(p, Parted, "meter.n-out", "meter.n-in", site.CutoutN)},
				demand{p, PartedFromEarth, u.find(p, Parted, site.MET)})
		}
		law.demands = append(law.demands, demand{"meter.n-in", JoinedToCutout, u.find("meter.n-in", Joined, site.CutoutN)})
		law.gloved, law.protect = true, u.wear.Gloves|u.wear.Visor
		away(mains)
		away(sources)
		// The supply is not put on bare ends of tails.
		home(site.MeterFit, site.TailsIn)
	case strings.HasPrefix(string(a.ID), "switch-on-"):
		right("-out")
	case a.ID == "shroud-contact":
		law.gloved, law.protect = true, u.wear.Gloves|u.wear.Visor
	case a.ID == "take-cover-off", a.ID == "break-seals":
		law.gloved, law.protect = true, u.wear.Gloves
	}
	return law
}

// Readings returns the universe's readings.
func (u *Universe) Readings() []Reading { return u.readings }
