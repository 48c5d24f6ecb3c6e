package site

import (
	"fmt"
	"slices"
	"strings"
)

// PointID names a test point, as part.place.
type PointID string

// Part returns the part that the point belongs to: "meter" of "meter.l-in".
func (p PointID) Part() string { part, _, _ := strings.Cut(string(p), "."); return part }

// Place returns the place on its part: "l-in" of "meter.l-in".
func (p PointID) Place() string { _, place, _ := strings.Cut(string(p), "."); return place }

// Conductor says what a healthy position has at a point.
type Conductor string

// The conductors.
const (
	Line    Conductor = "line"
	Neutral Conductor = "neutral"
	Earth   Conductor = "earth"
	Metal   Conductor = "metal"
	// Current is the secondary circuit of a current transformer, which is earthed at one end.
	Current     Conductor = "current"
	Independent Conductor = "independent"
	Person      Conductor = "person"
)

// Points that every position has.
const (
	// MET is the main earthing terminal, the earth reference in every arrangement.
	MET PointID = "earthing.met"
	// CutoutN is the neutral at the cut-out, the neutral reference.
	CutoutN PointID = "cutout.n"
	// Reference is an earth that does not belong to the installation.
	Reference PointID = "reference.independent"
	// Body stands for the operative as the second pole of a single-pole indication.
	Body PointID = "body.self"
)

// Point is one place where a probe or a hand can go.
type Point struct {
	ID        PointID   `json:"id"`
	Words     string    `json:"words"`
	Conductor Conductor `json:"conductor"`
	// Phase is 1, 2 or 3 on a line conductor, otherwise 0.
	Phase int `json:"phase,omitempty"`
}

// SwitchID names anything with two positions: a switch, the cut-out carrier,
// the terminal cover, the tails.
type SwitchID string

// Position is one of the two positions of a switch.
type Position string

// Switch is a thing with two positions. Home is the position in which a
// healthy service stands when the visit begins.
type Switch struct {
	ID    SwitchID `json:"id"`
	Words string   `json:"words"`
	Home  Position `json:"home"`
	Away  Position `json:"away"`
}

// ActID names a change that a person makes to the position.
type ActID string

// Setting is the position that a switch is put into.
type Setting struct {
	Switch   SwitchID `json:"switch"`
	Position Position `json:"position"`
}

// Effect is what an act does beyond its settings: the reason why proofs lapse.
type Effect string

// The effects. Each act has at most one.
const (
	// NoEffect leaves every conductor as it was.
	NoEffect Effect = ""
	// Energise joins conductors to a supply.
	Energise Effect = "energise"
	// Deenergise parts conductors from a supply.
	Deenergise Effect = "de-energise"
	// Rejoin changes which conductors are joined to which terminals.
	Rejoin Effect = "rejoin"
)

// Act is one change to the position, with what the hand or tool meets on the way.
type Act struct {
	ID     ActID     `json:"id"`
	Words  string    `json:"words"`
	Sets   []Setting `json:"sets,omitempty"`
	Effect Effect    `json:"effect,omitempty"`
	// Touches lists the points that hand or tool meets. A glove or an insulated
	// tool is not counted here: it is the method's protection.
	Touches []PointID `json:"touches,omitempty"`
	// MakeSafe says that the act only ever takes the position to a more guarded
	// state, so that no stop forbids it.
	MakeSafe bool `json:"make_safe,omitempty"`
}

// Site is a Spec expanded: everything has a name.
type Site struct {
	Spec     Spec
	Points   []Point
	Switches []Switch
	Acts     []Act

	point map[PointID]int
	swtch map[SwitchID]int
	act   map[ActID]int
}

// Point returns the point with that id.
func (s *Site) Point(id PointID) (Point, bool) {
	i, ok := s.point[id]
	if !ok {
		return Point{}, false
	}
	return s.Points[i], true
}

// Index returns the place of a point in Points.
func (s *Site) Index(id PointID) (int, bool) {
	i, ok := s.point[id]
	return i, ok
}

// Switch returns the switch with that id and its index in Switches.
func (s *Site) Switch(id SwitchID) (Switch, int, bool) {
	i, ok := s.swtch[id]
	if !ok {
		return Switch{}, 0, false
	}
	return s.Switches[i], i, true
}

// Act returns the act with that id.
func (s *Site) Act(id ActID) (Act, bool) {
	i, ok := s.act[id]
	if !ok {
		return Act{}, false
	}
	return s.Acts[i], true
}

// Match returns, in the site's order, the points that a pattern names: a point
// itself, or part.* for all of a part, or part.KIND:* where KIND is line, neutral,
// earth, metal or current for those of its points that have that conductor.
func (s *Site) Match(pattern string) ([]PointID, error) {
	if p, ok := s.Point(PointID(pattern)); ok {
		return []PointID{p.ID}, nil
	}
	part, place, ok := strings.Cut(pattern, ".")
	var ids []PointID
	for _, p := range s.Points {
		if !ok || p.ID.Part() != part {
			continue
		}
		if kind, star := strings.CutSuffix(place, ":*"); place == "*" || star && string(p.Conductor) == kind {
			ids = append(ids, p.ID)
		}
	}
	if len(ids) > 0 {
		return ids, nil
	}
	kind, star := strings.CutSuffix(place, ":*")
	if place == "*" || star && slices.Contains([]Conductor{Line, Neutral, Earth, Metal, Current}, Conductor(kind)) {
		if s.knownPart(part) {
			return nil, nil
		}
	}
	return nil, fmt.Errorf("%q is no test point here: %s", pattern, s.suggest(part))
}

var parts = []string{"socket", "metalwork", "meter", "cutout", "earthing", "isolator", "unit", "reference", "testblock", "body"}

func (s *Site) knownPart(part string) bool { return slices.Contains(parts, part) }

func (s *Site) suggest(part string) string {
	var near []string
	for _, p := range s.Points {
		if p.ID.Part() == part {
			near = append(near, string(p.ID))
		}
	}
	if len(near) == 0 {
		return "the parts are " + strings.Join(parts, ", ")
	}
	return "that part has " + strings.Join(near, ", ")
}

// Expand checks s and names everything in it.
func Expand(s Spec) (*Site, error) {
	if err := s.Validate(); err != nil {
		return nil, fmt.Errorf("site: %w", err)
	}
	st := &Site{Spec: s.WithDefaults()}
	st.addPoints()
	st.addSwitches()
	st.addActs()
	st.point = make(map[PointID]int, len(st.Points))
	for i, p := range st.Points {
		st.point[p.ID] = i
	}
	st.swtch = make(map[SwitchID]int, len(st.Switches))
	for i, w := range st.Switches {
		st.swtch[w.ID] = i
	}
	st.act = make(map[ActID]int, len(st.Acts))
	for i, a := range st.Acts {
		st.act[a.ID] = i
	}
	return st, nil
}

// Lines returns the line conductors of the position in order: l, or l1, l2, l3.
func (s *Site) Lines() []string {
	if s.Spec.Phases == 3 {
		return []string{"l1", "l2", "l3"}
	}
	return []string{"l"}
}

func (s *Site) addPoints() {
	add := func(id, words string, c Conductor, phase int) {
		s.Points = append(s.Points, Point{ID: PointID(id), Words: words, Conductor: c, Phase: phase})
	}
	eachLine := func(f func(l, words string, phase int)) {
		for i, l := range s.Lines() {
			f(l, map[string]string{"l": "line", "l1": "L1", "l2": "L2", "l3": "L3"}[l], i+1)
		}
	}
	if !s.Spec.NoSocket {
		add("socket.l", "socket, line", Line, 1)
		add("socket.n", "socket, neutral", Neutral, 0)
		add("socket.e", "socket, earth", Earth, 0)
	}
	for _, m := range s.Spec.Metalwork {
		add("metalwork."+m, strings.ReplaceAll(m, "-", " ")+" (metal)", Metal, 0)
	}
	for _, t := range s.Spec.Terminals {
		l, side, _ := strings.Cut(t, "-")
		switch {
		case t == "sw-out":
			add("meter.sw-out", "meter, switched line out", Line, 1)
		case l == "n":
			add("meter."+t, "meter, neutral "+side, Neutral, 0)
		default:
			eachLine(func(name, words string, phase int) {
				switch {
				case name != l:
				case side == "v":
					add("meter."+t, "meter, "+words+" voltage", Line, phase)
				case s.Spec.Metering == CTOperated:
					add("meter."+t, "meter, "+words+" current "+side, Current, phase)
				default:
					add("meter."+t, "meter, "+words+" "+side, Line, phase)
				}
			})
		}
	}
	eachLine(func(l, words string, phase int) {
		add("cutout."+l+"-supply", "cut-out, "+words+", supply-side contact", Line, phase)
	})
	eachLine(func(l, words string, phase int) {
		add("cutout."+l+"-load", "cut-out, "+words+", load-side contact", Line, phase)
	})
	add("cutout.n", "cut-out, neutral", Neutral, 0)
	if s.Spec.Arrangement != TT {
		add("cutout.e", "cut-out, earth terminal", Earth, 0)
	}
	add(string(MET), "main earthing terminal", Earth, 0)
	if s.Spec.Isolator {
		eachLine(func(l, words string, phase int) {
			add("isolator."+l+"-load", "isolating switch, "+words+", load side", Line, phase)
		})
		add("isolator.n-load", "isolating switch, neutral, load side", Neutral, 0)
	}
	for _, u := range s.Spec.Units {
		eachLine(func(l, words string, phase int) {
			add("unit."+u+"-"+l, u+" consumer unit, "+words+", supply side of the main switch", Line, phase)
		})
		add("unit."+u+"-n", u+" consumer unit, neutral", Neutral, 0)
	}
	if s.Spec.Metering == CTOperated {
		eachLine(func(l, words string, phase int) {
			add("testblock."+l+"-s1", "test block, "+words+", current in", Current, phase)
			add("testblock."+l+"-s2", "test block, "+words+", current out", Current, phase)
			add("testblock."+l+"-v", "test block, "+words+", voltage", Line, phase)
		})
		add("testblock.n", "test block, neutral", Neutral, 0)
	}
	// Always named, since whether one exists is found on site, not claimed.
	add(string(Reference), "independent earth reference", Independent, 0)
	add(string(Body), "the operative's own body, single-pole", Person, 0)
}
