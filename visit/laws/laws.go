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
	// Flowing: a current, as a load gives it.
	Flowing
	// Looked: something was looked at and found as it should be, with no instrument.
	Looked
	// Low: no more than the touch-voltage limit, as a number.
	Low
	// Other: anything else, good or bad, that no law relies on.
	Other
)

// Reading is one kind of reading that a visit can make.
type Reading struct {
	// Tool is the instrument, or negative where something is looked at without one.
	Tool        int
	At, Against site.PointID
	Says        Says
	// Proved says that the source on which the tool is proved exercises this way of reading it, so that it
	// needs no control.
	Proved bool
}

// Bits is a set of readings of a universe.
type Bits [2]uint64

func (b Bits) has(i int) bool { return b[i/64]&(1<<(i%64)) != 0 }
func (b Bits) or(o Bits) Bits { return Bits{b[0] | o[0], b[1] | o[1]} }
func (b *Bits) add(i int)     { b[i/64] |= 1 << (i % 64) }

// With returns b and one reading more.
func (b Bits) With(i int) Bits { b.add(i); return b }

// And returns the readings in both sets.
func (b Bits) And(o Bits) Bits { return Bits{b[0] & o[0], b[1] & o[1]} }

// Minus returns the readings of b that are not in o.
func (b Bits) Minus(o Bits) Bits { return Bits{b[0] &^ o[0], b[1] &^ o[1]} }

// Within reports whether every reading of b is in o.
func (b Bits) Within(o Bits) bool { return b.Minus(o) == Bits{} }

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
	Slipped                    // an answer was taken back at once as a slip; Good where it was as expected
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
	Does   Does
	Tool   int
	Good   bool
	Suits  bool
	Danger bool
	// Doubt says that a reading leaves open what it shows, Odd that no working instrument could show it.
	Doubt, Odd bool
	Reading    int // index in the universe, or -1
	Act        int // index in the site's acts
	Items      uint8
	InSpite    bool
	TakeUp     bool
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
	// Answer is 1 + the place that it answers, or whose answer it takes back; 0 for what is no answer.
	Answer int16
	// Stranger says that somebody else gave the answer, Again that one was taken back at that point before.
	Stranger, Again bool
	// Stands says that a stop is in force afterwards.
	Stands bool
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

// Remembered is the part of a State that is not evidence. A search may change what is exported, so as to
// try it all.
type Remembered struct {
	// Open holds the tools that stand between a good proving and the next, InDate those taken up in date.
	Open, InDate uint16
	// Worn and Sound hold the protection that is worn, and that was found sound.
	Worn, Sound uint8
	// Owed is 1 + the earliest place that was passed over and not gone back to, or 0.
	Owed int16
	// Asked is 1 + a reading, in doubt or odd, that was asked for again, or 0.
	Asked int16

	// last is the answer that nothing came after, as Answer; alarm says that it raised the stop in force.
	last  int16
	alarm bool
	// retest is the answer that was taken back under the stop that it had raised, made with retestTool or none;
	// proved says that the instrument was proved since, tested that the point was tested after that.
	retest         int16
	retestTool     int
	proved, tested bool
	stands         bool

	away, danger, grave bool
	told, ended, begun  bool
	switches            uint32
}

// Settled is the state in which the last answer can be taken back as a slip no more.
func (s State) Settled() State {
	s.last, s.alarm = 0, false
	return s
}

// Counts reports whether a reading counts, or will when its instrument is proved again.
func (s State) Counts(reading int) bool { return s.Fresh.has(reading) || s.Closed.has(reading) }

func (s State) open(tool int) bool { return s.Open&(1<<tool) != 0 }

// without returns s with readings that no longer count.
func (s State) without(lost Bits) State {
	s.Fresh, s.Closed = s.Fresh.Minus(lost), s.Closed.Minus(lost)
	return s
}

// demand is one thing that an act relies on: any one of the readings will do.
//
// One that is made single-pole, or against a reference that may be no earth at all, says something only beside a
// control: a reading of the same instrument against the same reference that is live.
type demand struct {
	at    site.PointID
	needs Needs
	any   Bits
}

// met reports whether the readings of have meet the demand.
func (u *Universe) met(d demand, have Bits) bool {
	seen := d.any.And(have)
	if seen.And(u.plain) != (Bits{}) {
		return true
	}
	for i, control := range u.controls {
		if seen.has(i) && control.And(have) != (Bits{}) {
			return true
		}
	}
	return false
}

type actLaw struct {
	id      site.ActID
	demands []demand
	// mask and want say how switches must stand, setMask and sets how the act leaves them.
	mask, want    uint32
	setMask, sets uint32
	calming       bool
	// gloved says that hands are at or near live parts, whatever the method calls protection.
	gloved  bool
	protect uint8
	lost    Bits // readings that the act leaves without meaning
}

// Universe is the laws made ready for one service position.
type Universe struct {
	readings []Reading
	ofTool   map[int]Bits
	grave    Bits   // readings whose contrary ends the work
	plain    Bits   // readings that say something by themselves
	controls []Bits // for any other reading, those that are a control for it

	quiet   Bits // readings of no voltage
	neutral Bits // those of quiet that show neutral and earth in their places, with the supply on
	atMeter Bits // readings of voltage at the meter, where tails are joined
	joints  Bits
	still   Bits
	flowing Bits
	looked  Bits // what was looked at, with no instrument
	other   Bits // readings that no law about touching relies on

	service  uint32 // switches that a completed visit leaves at home
	cover    uint32
	carrier  uint32
	contact  uint32
	links    uint32 // of the current circuits, at a position with current transformers
	acts     []actLaw
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
		u.ofTool[r.Tool] = u.ofTool[r.Tool].With(i)
		u.sort(i, kind[r.At])
	}
	u.control()
	for i, w := range switches {
		switch w.ID {
		case site.Carrier, site.Cover, site.TailsIn, site.MeterFit, site.Seals, site.Shorting, site.VFuses:
			u.service |= 1 << i
		}
		switch w.ID {
		case site.Cover:
			u.cover = 1 << i
		case site.Carrier:
			u.carrier = 1 << i
		case site.Contact:
			u.contact = 1 << i
		case site.Shorting:
			u.links = 1 << i
		}
	}
	for _, p := range points {
		u.pointLaw[p.ID] = u.touching(p)
	}
	for _, a := range acts {
		u.acts = append(u.acts, u.act(a, points))
	}
	return u, nil
}

// sort puts a reading at a conductor into the sets that laws ask for.
func (u *Universe) sort(i int, at site.Conductor) {
	r := u.readings[i]
	meter := r.At.Part() == "meter"
	switch r.Says {
	case Quiet:
		u.quiet.add(i)
		if at == site.Metal || r.Against == site.Reference || r.Against == site.Body {
			u.grave.add(i)
		}
		if at == site.Neutral && (r.Against == site.MET || meter) || r.At == site.MET && r.Against != site.CutoutN {
			u.neutral.add(i)
		}
	case Live:
		if meter {
			u.atMeter.add(i)
		}
	case Joined, Parted:
		u.joints.add(i)
	case Still:
		u.still.add(i)
	case Flowing:
		u.flowing.add(i)
	case Looked:
		// What is looked at stays so until it is left or handed over.
		u.looked.add(i)
	default:
		u.other.add(i)
	}
}

// control finds for each reading that needs one what is a control for it.
func (u *Universe) control() {
	u.controls = make([]Bits, len(u.readings))
	for i, r := range u.readings {
		if r.Says != Quiet || r.Proved || r.Against != site.Reference && r.Against != site.Body {
			u.plain.add(i)
			continue
		}
		for k, c := range u.readings {
			if c.Says == Live && c.Tool == r.Tool && c.Against == r.Against {
				u.controls[i].add(k)
			}
		}
	}
}

// OfTool returns the readings that a tool makes.
func (u *Universe) OfTool(tool int) Bits { return u.ofTool[tool] }

// find gathers the readings of a kind at a point against any of the references.
func (u *Universe) find(at site.PointID, says Says, against ...site.PointID) Bits {
	var b Bits
	for i, r := range u.readings {
		if r.Says == says && (r.At == at && slices.Contains(against, r.Against) || r.Against == at && slices.Contains(against, r.At)) {
			b.add(i)
		}
	}
	return b
}

// blockNeutral is the neutral that a meter which current transformers feed is joined to.
const blockNeutral site.PointID = "testblock.n"

// touching is what must have been seen before a hand meets a point: metal quiet
// to the person or to an independent earth; a conductor quiet to earth, and a
// line also to neutral; and, because a reversed supply passes both, neutral and
// earth themselves quiet to an independent earth or to the person.
func (u *Universe) touching(p site.Point) []demand {
	independent := []site.PointID{site.Reference, site.Body}
	switch p.Conductor {
	case site.Metal:
		return []demand{{p.ID, Unearthed, u.find(p.ID, Quiet, independent...)}}
	case site.Current:
		return u.secondary(p)
	}
	neutral := site.CutoutN
	if u.links != 0 {
		neutral = blockNeutral
	}
	ds := []demand{
		{p.ID, QuietToEarth, u.find(p.ID, Quiet, site.MET)},
		{neutral, Unearthed, u.find(neutral, Quiet, independent...)},
		{site.MET, Unearthed, u.find(site.MET, Quiet, independent...)},
	}
	if p.Conductor == site.Line {
		ds = append(ds, demand{p.ID, QuietToNeutral, u.find(p.ID, Quiet, neutral)})
	}
	return ds
}

// secondary is what must have been seen before a hand meets the secondary circuit of a current transformer, which
// raises a deadly voltage where it is opened under load: no current is left in the meter's circuit while the lead
// of the transformer still carries one, so that the links carry it, and no voltage to earth.
func (u *Universe) secondary(p site.Point) []demand {
	l, _, _ := strings.Cut(p.ID.Place(), "-")
	meter, block := site.PointID("meter."+l+"-in"), site.PointID("testblock."+l+"-s1")
	return []demand{
		{p.ID, QuietToEarth, u.find(p.ID, Quiet, site.MET)},
		{meter, CarriesNothing, u.find(meter, Still, "")},
		{block, CarriesShorted, u.find(block, Flowing, "")},
	}
}

func (u *Universe) act(a site.Act, points []site.Point) actLaw {
	law := actLaw{id: a.ID, calming: a.MakeSafe, lost: u.lost(a)}
	u.stand(a, &law)
	ask := func(at site.PointID, needs Needs, any Bits) {
		law.demands = append(law.demands, demand{at, needs, any})
	}
	if !a.MakeSafe {
		for _, p := range a.Touches {
			law.demands = append(law.demands, u.pointLaw[p]...)
		}
	}
	lines := func(suffix string) []site.PointID {
		var ids []site.PointID
		for _, p := range points {
			// A switched terminal may be live or not, as its own switch has it.
			if p.Conductor == site.Line && p.ID.Part() == "meter" && p.ID != "meter.sw-out" && strings.HasSuffix(string(p.ID), suffix) {
				ids = append(ids, p.ID)
			}
		}
		return ids
	}
	right := func(suffix string, or Bits) {
		for _, p := range lines(suffix) {
			ask(p, LiveToEarth, u.find(p, Live, site.MET).or(or))
		}
		n := site.PointID("meter.n" + suffix)
		ask(n, QuietToEarth, u.find(n, Quiet, site.MET).or(or))
	}
	switch {
	case a.ID == "withdraw-carrier":
		// Reversed line and neutral would leave the meter live with the carrier out.
		// A meter that is crossed itself, so that its neutral terminal is live to a reference, cannot show
		// this: it is parted from the supply all the same, with metalwork shown quiet as ever.
		crossed := u.find("meter.n-in", Live, site.Reference, site.Body)
		right("-in", crossed)
		right("-out", crossed)
		ask("", NilLoad, u.still)
	case a.ID == "refit-carrier":
		// A crossed meter must not be found by pushing a fuse onto a short.
		for _, p := range lines("-in") {
			l, _, _ := strings.Cut(p.Place(), "-")
			cutout := site.PointID("cutout." + l + "-load")
			// Or through the meter, which shows more.
			ask(p, JoinedToCutout, u.find(p, Joined, cutout).or(u.find(site.PointID("meter."+l+"-out"), Joined, cutout)))
		}
		for _, p := range lines("-out") {
			ask(p, PartedFromNeutral, u.find(p, Parted, "meter.n-out", "meter.n-in", site.CutoutN))
			ask(p, PartedFromEarth, u.find(p, Parted, site.MET))
		}
		ask("meter.n-in", JoinedToCutout, u.find("meter.n-in", Joined, site.CutoutN).or(u.find("meter.n-out", Joined, site.CutoutN)))
	case a.ID == "put-voltage-fuses-in":
		// Nor a crossed voltage circuit by pushing a fuse onto it.
		for _, p := range lines("-v") {
			ask(p, JoinedToBlock, u.find(p, Joined, site.PointID("testblock."+p.Place())))
			ask(p, PartedFromNeutral, u.find(p, Parted, "meter.n-in", blockNeutral))
			ask(p, PartedFromEarth, u.find(p, Parted, site.MET))
		}
	case a.ID == "restore-links":
		// Shorted, no instrument can tell whether the meter's current circuit is joined: somebody has to look.
		ask("", LookedSince, u.looked)
	case strings.HasPrefix(string(a.ID), "switch-on-"):
		right("-out", Bits{})
	}
	switch a.ID {
	case "withdraw-carrier", "refit-carrier", "shroud-contact", "bare-contact",
		"short-secondaries", "restore-links", "take-voltage-fuses-out", "put-voltage-fuses-in":
		law.gloved, law.protect = true, u.wear.Gloves|u.wear.Visor
	case "take-cover-off", "break-seals", "take-tails-out", "connect-tails":
		// The neutral is broken and remade with the tails, and can rise under the hand.
		law.gloved, law.protect = true, u.wear.Gloves
	case "take-meter-off", "put-meter-on":
		// Conductors leave a meter with it where current transformers feed it, and its neutral is among them.
		if u.links != 0 {
			law.gloved, law.protect = true, u.wear.Gloves
		}
	}
	return law
}

// stand says how switches must stand for an act, and how it leaves them.
func (u *Universe) stand(a site.Act, law *actLaw) {
	carrier := a.ID == "withdraw-carrier" || a.ID == "refit-carrier"
	tails := slices.Contains([]site.ActID{"take-tails-out", "take-meter-off", "put-meter-on", "connect-tails"}, a.ID)
	for i, w := range u.switches {
		bit := uint32(1) << i
		for _, set := range a.Sets {
			if set.Switch == w.ID {
				law.setMask |= bit
				if set.Position == w.Away {
					law.sets |= bit
				}
			}
		}
		switch id := string(w.ID); {
		case carrier && (strings.HasPrefix(id, "main.") || strings.HasPrefix(id, "source.")):
			// A carrier is not a load switch.
			law.mask, law.want = law.mask|bit, law.want|bit
		case a.ID == "refit-carrier" && (w.ID == site.MeterFit || w.ID == site.TailsIn):
			// The supply is not put on bare ends of tails.
			law.mask |= bit
		case (a.ID == "restore-links" || a.ID == "put-voltage-fuses-in") && w.ID == site.MeterFit:
			// No secondary is opened onto, and no voltage put on, the bare ends of a meter that is out.
			law.mask |= bit
		case tails && (w.ID == site.Shorting || w.ID == site.VFuses):
			law.mask, law.want = law.mask|bit, law.want|bit
		case tails && w.ID == site.Contact:
			// Hands are at the meter for minutes, beside the cut-out.
			law.mask, law.want = law.mask|bit, law.want|bit
		}
	}
}

// lost is what an act leaves without meaning.
func (u *Universe) lost(a site.Act) Bits {
	switch a.Effect {
	case site.Energise:
		if a.ID == "refit-carrier" {
			return everything
		}
		// A load or a source joined behind the meter says nothing new about the neutral that was seen
		// quiet to earth on the supply side, nor about the earth that was seen quiet to a reference.
		return u.quiet.or(u.still).or(u.flowing).or(u.joints).Minus(u.neutral)
	case site.Deenergise:
		// What was seen live is so no longer, and current takes another way.
		if a.ID == "short-secondaries" {
			return u.atMeter.or(u.other).or(u.still).or(u.flowing)
		}
		return u.atMeter.or(u.other)
	case site.Rejoin:
		// Other conductors may now be at the terminals.
		if u.links != 0 {
			return u.joints.or(u.atMeter).or(u.other).or(u.looked)
		}
		return u.joints.or(u.atMeter).or(u.other)
	}
	return Bits{}
}

var everything = Bits{^uint64(0), ^uint64(0)}
