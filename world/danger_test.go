package world

import (
	"strings"
	"testing"

	"meterwright/instrument"
	"meterwright/site"
)

// latent says why a departure is marked as a danger although, with everything else
// in order, no part that ought to be dead gives a hand 5 mA: by the beginning of
// its id. A reason that nothing needs fails the test.
var latent = []struct{ id, why string }{
	{"weak/service.n", "the rise grows with the load: 1 Ω at 40 A is 40 V, and such a joint is about to open"},
	{"weak/main.n", "the rise grows with the load of the whole main"},
	{"fused/neutral", "when that fuse operates, the neutral of the installation is live through the loads"},
	{"cracked/cutout", "a live part can be within reach"},
	{"unshrouded/contact", "a live part is within reach"},
	{"tracking/cutout", "it grows, and with the earth open the metal is live"},
	{"open/pen-link", "a fault to earth leaves metalwork live"},
	{"failing/pen-link", "as when it is open"},
	{"weak/pen-link", "it is about to open"},
	{"open/earthing-conductor", "a fault to earth leaves metalwork live"},
	{"failing/earthing-conductor", "as when it is open"},
	{"weak/earthing-conductor", "it is about to open"},
	{"open/service.e", "a fault to earth leaves metalwork live"},
	{"failing/service.e", "as when it is open"},
	{"weak/service.e", "it is about to open"},
	{"open/main.e", "a fault to earth leaves metalwork live"},
	{"dry/electrode", "a fault to earth leaves metalwork live until a residual current device operates"},
	{"leak/service-sheath", "with the sheath open the metalwork is live"},
	{"exchanged/service.n-e", "the earth carries the load, and when it opens the metalwork is live"},
	{"exchanged/socket.n-e", "what is plugged in has its load current in its case's conductor"},
	{"open/socket.n", "the neutral of what is plugged in is live through it"},
	{"failing/socket.n", "as when it is open"},
	{"open/socket.e", "what is plugged in has no earth"},
	{"failing/socket.e", "as when it is open"},
	{"weak/socket.e", "it is about to open"},
	{"exchanged/bars.", "the earth carries the load, and when it opens everything joined to it is live"},
	{"open/unit-earth.", "a fault to earth leaves every case beyond it live"},
	{"welded/main.house.n", "what is switched off is still joined to the network's neutral"},
	{"welded/main.house", "what is switched off is live"},
	{"open/ct.", "under load its ends stand at a voltage that the model, without saturation, understates"},
	{"open/ct-short.", "it is relied on while the current circuit of the meter is taken out: then as open/ct"},
	{"bridged/voltage-fuse.", "a terminal that is thought to be off is live"},
	{"open/meter.l", "the current circuit of a transformer: as open/ct"},
	{"failing/meter.l", "the current circuit of a transformer: as when it is open"},
	{"unearthed/ct.", "the secondary floats near the primary"},
	{"fault/neutral-earth.", "neutral current in the earth, and with the neutral open the metalwork is live"},
	{"missing/bond.", "a fault leaves that part live, or another part beside it"},
	{"fault/case-earthed.", "with the earth open the metal is live"},
	{"leak/line-earth", "with the earth open the metalwork is live"},
	{"diverted/pipe", "when the bond is parted, a voltage stands across the gap"},
	{"stuck/rcd", "a fault to earth is not cut off"},
	{"back-feed/", "a source without an earth puts 230 V between two parts that ought to be dead"},
	{"welded/contactor", "a terminal that is thought to be off is live"},
	{"charge/stored", "a direct voltage, which the model does not hold"},
	{"claimed/", "the protection is another than the one that is relied on"},
	{"joined/reference", "it hides that neutral and earth are both live"},
	{"dry/reference", "it hides a voltage from an instrument that draws current"},
}

// deadLimit is the current in mA that everybody can let go of [M] IEC 60479-1.
const deadLimit = LetGoMilliAmp

// TestDanger holds the mark of danger to the model: whatever puts 5 mA through a
// hand at metalwork, at an earth, at a neutral, or at the load side with the supply
// parted is marked, and whatever is marked does so or has its reason above. The
// load is 2 kW, the house electrode 500 Ω, the floor as usual (2 kΩ).
func TestDanger(t *testing.T) {
	used := map[string]bool{}
	for _, c := range catalogueSites {
		s := expand(t, c.spec)
		v := site.Usual()
		v[site.Load1Watt] = 2000
		most := func(present ...site.Departure) (mA float64, where string) {
			for _, st := range States(s) {
				w, err := New(Setup{Site: s, Values: &v, Switching: st.Switching, Departures: present})
				if err != nil {
					t.Fatal(err)
				}
				all, err := w.Touches()
				if err != nil {
					t.Fatal(err)
				}
				for _, x := range all {
					if x.MilliAmps > mA && deadHere(s, st.Name, x.Part) {
						mA, where = x.MilliAmps, st.Name+" "+string(x.Part)
					}
				}
			}
			return mA, where
		}
		if mA, where := most(); mA > 0.5 {
			t.Errorf("%s: a healthy position gives %.2f mA at %s", c.name, mA, where)
		}
		for _, d := range s.Departures() {
			if d.Nature != site.OfWiring {
				continue
			}
			switch mA, where := most(d); {
			case mA > deadLimit && !d.Danger:
				t.Errorf("%s: %s gives %.1f mA at %s and is not marked as a danger", c.name, d.ID, mA, where)
			case mA <= deadLimit && d.Danger:
				found := false
				for _, l := range latent {
					if strings.HasPrefix(d.ID, l.id) {
						used[l.id], found = true, true
					}
				}
				if !found {
					t.Errorf("%s: %s is marked as a danger, and no part gives more than %.2f mA (%s): give the reason", c.name, d.ID, mA, where)
				}
			}
		}
	}
	for _, l := range latent {
		if !used[l.id] {
			t.Errorf("%s: a reason that no departure needs", l.id)
		}
	}
}

// deadHere reports whether a part ought to have no voltage in a state: metalwork,
// earths and neutrals always, the load side with the supply parted and the sources
// locked off. A position with current transformers is never parted.
func deadHere(s *site.Site, state string, id site.PointID) bool {
	p, _ := s.Point(id)
	switch p.Conductor {
	case site.Metal, site.Earth, site.Neutral:
		return true
	case site.Line:
		return (state == "parted" || state == "meter-off") && s.Spec.Metering == site.WholeCurrent && !strings.HasSuffix(string(id), "-supply")
	}
	return false
}

// An instrument's fault is marked as a danger if it shows something live, a load or a
// short as none, and not if it only shows trouble where there is none.
func TestDangerOfInstruments(t *testing.T) {
	for _, c := range catalogueSites {
		for _, d := range expand(t, c.spec).Departures() {
			if d.Nature != site.OfInstrument {
				continue
			}
			in := instrument.New(instrument.Kind(d.Kind), instrument.Condition(d.Condition))
			hides := false
			for _, trouble := range []struct {
				seen instrument.Seen
				none string // what is shown where there is nothing
			}{
				// A detector or a lamp on half as much again as it needs; a voltmeter on
				// 230 V; a socket with line and neutral exchanged.
				{instrument.Seen{Across: [3]float64{1.5 * in.Traits.LitVolt}}, "dark"},
				{instrument.Seen{Across: [3]float64{230}}, "0.0 V"},
				{instrument.Seen{Across: [3]float64{230}}, "1.4 V"}, // a broken lead
				{instrument.Seen{Across: [3]float64{230, 0, 230}}, "dark"},
				{instrument.Seen{Across: [3]float64{230, 0, 230}}, "healthy"},
				{instrument.Seen{Amp: 20}, "0.00 A"},
			} {
				shown, _ := in.Indicate(trouble.seen)
				if in.Kind != instrument.PhaseSequence && shown.String() == trouble.none {
					hides = true
				}
			}
			// A short between the points of a continuity tester.
			if shown, _ := in.Indicate(instrument.Seen{}); in.Kind == instrument.Continuity && shown == instrument.Show(instrument.Over) {
				hides = true
			}
			if hides != d.Danger {
				t.Errorf("%s: hides something %v, marked as a danger %v", d.ID, hides, d.Danger)
			}
		}
	}
}
