package world

import (
	"slices"
	"testing"

	"meterwright/instrument"
	"meterwright/site"
)

// The catalogue of package site names kinds and conditions in the words of package
// instrument.
func TestCatalogueAgreesWithInstruments(t *testing.T) {
	for _, c := range catalogueSites {
		for _, d := range expand(t, c.spec).Departures() {
			if d.Kind == "" {
				continue
			}
			if _, ok := instrument.Lookup(instrument.Kind(d.Kind)); !ok {
				t.Errorf("%s: %q is no kind of instrument", d.ID, d.Kind)
			}
			if !slices.Contains(conditions, instrument.Condition(d.Condition)) {
				t.Errorf("%s: %q is no condition", d.ID, d.Condition)
			}
		}
	}
}

// A departure that arises between two steps is there from the second on: a lamp
// that lit at its proving is dark afterwards.
func TestOnsetBetweenSteps(t *testing.T) {
	s := expand(t, tncs)
	d, err := s.DepartureNamed("blown/lamp")
	if err != nil {
		t.Fatal(err)
	}
	for step, want := range []string{"lit", "lit", "dark", "dark"} {
		var present []site.Departure
		if step >= 2 {
			present = []site.Departure{d}
		}
		w, err := New(Setup{Site: s, Departures: present})
		if err != nil {
			t.Fatal(err)
		}
		shows(t, w, want, instrument.TestLamp, site.CutoutN, "cutout.l-supply")
	}
}

// Impossible readings are refused in words.
func TestRefusedReadings(t *testing.T) {
	w := position(t, tncs, nil, nil)
	for _, c := range []struct {
		kind   instrument.Kind
		points []site.PointID
	}{
		{"ohmmeter", []site.PointID{"meter.l-in"}},
		{instrument.Voltmeter, []site.PointID{"meter.l-in"}},
		{instrument.Voltmeter, []site.PointID{"meter.l-in", "nowhere"}},
		{instrument.Voltmeter, []site.PointID{"meter.l-in", "meter.l-in"}},
		{instrument.Clamp, []site.PointID{"socket.l"}},
		{instrument.SocketTester, []site.PointID{"socket.l", "socket.n"}},
	} {
		if _, err := w.Read(instrument.New(c.kind, instrument.Sound), c.points...); err == nil {
			t.Errorf("%s on %v was read", c.kind, c.points)
		}
	}
	if _, err := New(Setup{}); err == nil {
		t.Error("a world without a site was made")
	}
	if _, err := w.Volts("nowhere"); err == nil {
		t.Error("a point that does not exist has a voltage")
	}
}

var conditions = []instrument.Condition{instrument.Sound, instrument.DeadInstrument, instrument.StuckOn, instrument.WeakBattery, instrument.BrokenLead,
	instrument.IntermittentLead, instrument.WrongRange, instrument.BlownLamp, instrument.NotCoupled}
