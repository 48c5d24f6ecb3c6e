package site

import (
	"fmt"
	"strings"
)

// Owner is who has to mend a departure.
type Owner string

// The owners.
const (
	Distributor Owner = "distributor"
	Supplier    Owner = "supplier"
	Consumer    Owner = "consumer"
	Employer    Owner = "employer"
)

// Nature says what a departure is a departure of.
type Nature string

// The natures.
const (
	OfWiring     Nature = "wiring"
	OfInstrument Nature = "instrument"
	OfPerson     Nature = "person"
)

// Prior is how often a departure is met, for each visit.
type Prior struct {
	Rate float64 `json:"rate"`
	// Mark is P throughout: no count of these has been published, so that the
	// rates order the departures by what the trade meets and say no more.
	Mark string `json:"mark"`
}

// Departure is one way in which a position, an instrument or a person differs
// from what a healthy visit takes for granted.
type Departure struct {
	ID    string `json:"id"`
	Words string `json:"words"`
	// Nature tells wiring from instruments and people.
	Nature Nature `json:"nature"`
	// Changes are what it does to the wiring, in order.
	Changes []Change `json:"changes,omitempty"`
	// Kind and Condition are set for an instrument, in the words of package instrument.
	Kind      string `json:"kind,omitempty"`
	Condition string `json:"condition,omitempty"`
	// Danger says that parts which are touched can stand at a dangerous voltage, or
	// that an instrument or a person can hide that, a load that is still on, or a short.
	Danger bool     `json:"danger"`
	Prior  Prior    `json:"prior"`
	Owner  Owner    `json:"owner"`
	Do     []string `json:"do"`
	// Unseen says why no test of this program's instruments shows it, where that
	// lies in its nature.
	Unseen string `json:"unseen,omitempty"`
}

// The rates by which departures are ordered [P].
const (
	often  = 5e-3
	seldom = 1e-3
	rare   = 1e-4
)

// What to do, for each owner and danger.
var (
	keepClear  = []string{"Touch nothing and keep everybody clear", "Ring the distributor on 105 now", "Stay until they take over"}
	ringFirst  = []string{"Leave the cut-out and the meter as they are", "Ring the distributor on 105", "Do not restore the supply until they agree"}
	report     = []string{"Note it with a photograph", "Report it to the distributor"}
	putRight   = []string{"Prove dead again before touching a terminal", "Put it right under the method", "Test again"}
	leaveOut   = []string{"Leave the carrier out", "Find what touches and put it right under the method", "Test again before the carrier goes in"}
	findUnit   = []string{"Do not withdraw the carrier under load", "Look for another board or switch, and switch it off", "Ring your office if none is found"}
	findSource = []string{"Touch no terminal", "Find the source, isolate it and lock it off", "Prove dead again"}
	openCT     = []string{"Touch nothing at the test block and keep everybody clear", "Have the load taken off elsewhere", "Ring your office"}
	// leaveFusesOut is leaveOut where the voltage fuses take the carrier's place.
	leaveFusesOut = []string{"Leave the voltage fuses out", "Find what touches and put it right under the method", "Test again before a fuse goes in"}
	meterFault    = []string{"Note what the meter shows with a known load on", "Ring your office"}
	// crossedMeters leave the load side live with the carrier out.
	crossedMeters = []string{"Touch no terminal: the load side is fed from elsewhere", "Note both meter numbers and accuse nobody", "Ring your office"}
	tellOffice    = []string{"Touch nothing and accuse nobody", "Ring your office from outside"}
	tellUser      = []string{"Leave the main switch off", "Tell the consumer, in writing, what was found", "Advise an electrician"}
	adviseUser    = []string{"Tell the consumer, in writing, what was found", "Advise an electrician"}
	takeOut       = []string{"Take it out of use", "Count nothing that it showed since it was last proved", "Repeat those tests with another one"}
)

// Departures returns the catalogue for this site, in a fixed order.
func (s *Site) Departures() []Departure {
	c := &catalogue{site: s}
	c.service()
	c.cutout()
	if s.Spec.Metering == CTOperated {
		c.transformers()
	} else {
		c.meter()
	}
	c.installation()
	c.sources()
	c.claims()
	c.instruments()
	c.people()
	return c.list
}

// DepartureNamed returns the departure with that id.
func (s *Site) DepartureNamed(id string) (Departure, error) {
	var near []string
	for _, d := range s.Departures() {
		if d.ID == id {
			return d, nil
		}
		if a, _, _ := strings.Cut(id, "/"); strings.HasPrefix(d.ID, a+"/") {
			near = append(near, d.ID)
		}
	}
	if len(near) > 0 {
		return Departure{}, fmt.Errorf("%q is no departure of this position: it has %s", id, strings.Join(near, ", "))
	}
	return Departure{}, fmt.Errorf("%q is no departure of this position: the departures command lists them", id)
}

type catalogue struct {
	site *Site
	list []Departure
}

// add puts a departure of the wiring into the list.
func (c *catalogue) add(id, words string, rate float64, owner Owner, danger bool, do []string, changes ...Change) *Departure {
	c.list = append(c.list, Departure{
		ID: id, Words: words, Nature: OfWiring, Changes: changes, Danger: danger,
		Prior: Prior{rate, "P"}, Owner: owner, Do: do,
	})
	return &c.list[len(c.list)-1]
}

func part(on ...string) Change                { return Change{Op: Part, On: on} }
func shut(on ...string) Change                { return Change{Op: Close, On: on} }
func weaken(ohm float64, on ...string) Change { return Change{Op: Weaken, On: on, Ohm: ohm} }
func swap(a, b string) Change                 { return Change{Op: Swap, On: []string{a, b}} }
func bridge(a, b string, ohm float64) Change  { return Change{Op: Bridge, On: []string{a, b}, Ohm: ohm} }
func coupled(a, b string, farad float64) Change {
	return Change{Op: Couple, On: []string{a, b}, Farad: farad}
}

// suffix is "" for the only line of a position and ".l2" for one of three.
func (c *catalogue) suffix(l string) string {
	if c.site.Spec.Phases == 1 {
		return ""
	}
	return "." + l
}

// named is "the line" or "L2".
func named(l string) string {
	if l == "l" {
		return "the line"
	}
	return strings.ToUpper(l)
}

// terminal is what the trade calls a terminal of a meter.
func terminal(l, way string) string {
	switch l {
	case "l":
		l = "line"
	case "n":
		l = "neutral"
	default:
		l = strings.ToUpper(l)
	}
	return "the " + l + " " + way + " terminal of the meter"
}

func (c *catalogue) feedOf(i int) string { return fmt.Sprintf("main.l%d", i+1) }

func (c *catalogue) met() string { return string(MET) }
