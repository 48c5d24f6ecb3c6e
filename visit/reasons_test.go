package visit

import (
	"encoding/json/v2"
	"reflect"
	"slices"
	"testing"

	"meterwright/instrument"
	"meterwright/method"
	"meterwright/site"
)

// TestEveryRefusal holds the whole refusal, code by code with its arguments, for every row of the table.
func TestEveryRefusal(t *testing.T) {
	m := plainMachine(t)
	at := func(step string) *driver { d := drive(t, m); d.to(step); return d }
	fresh := func() *driver { return &driver{t: t, v: Begin(m), boot: "boot-1"} }
	stopped := func() *driver { d := at("take-cover-off"); d.must(Stopped{Why: "x"}); return d }
	grave := func() *driver {
		d := at("take-cover-off")
		d.must(Observed{Step: "metalwork-detector/metalwork.box", Shows: lit()})
		d.must(Reported{To: site.Employer})
		return d
	}
	ended := func() *driver { d := at("take-cover-off"); d.must(Ended{Outcome: "abandoned", Left: "x"}); return d }
	away := func() *driver { d := at("take-cover-off"); d.must(WentAway{}); return d }
	bare := func() *driver { d := at("take-cover-off"); d.must(TookOff{Items: []string{"gloves"}}); return d }
	again := func() *driver {
		d := at("withdraw-carrier")
		d.must(WentAway{})
		d.must(CameBack{})
		d.must(PutOn{Items: []string{"gloves", "visor"}})
		return d
	}
	cover := Acted{Step: "take-cover-off", Act: "take-cover-off"}
	carrier := Acted{Step: "withdraw-carrier", Act: "withdraw-carrier"}
	two := []instrument.Kind{instrument.TwoPole}
	proved := Proved{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: lit()}
	unsuited := Proved{Kind: instrument.TwoPole, ID: "i-two-pole-detector", Source: ProvingSource{Kind: instrument.LampSource}, Shows: lit()}
	for _, x := range []struct {
		name string
		at   *driver
		body Body
		rows []Row
		what Reason
		lack []Reason
		ways []Reason
	}{
		{"before the opening", fresh(), Noted{Words: "x"}, []Row{RowOpenedFirst}, Reason{Code: CannotNow}, []Reason{{Code: NotOpened}}, []Reason{{Code: OpenFirst}}},
		{"opened twice", at("premises"), Opened{MethodHash: m.Hash}, []Row{RowOpenedFirst}, Reason{Code: CannotOpen}, []Reason{{Code: OpenedAlready}}, []Reason{{Code: GoOn}}},
		{"after the end", ended(), Noted{Words: "x"}, []Row{RowNotAfterTheEnd}, Reason{Code: CannotNow}, []Reason{{Code: HasEnded, Outcome: "abandoned"}}, []Reason{{Code: AddSupplement}}},
		{"added too early", at("premises"), Supplement{Words: "x"}, []Row{RowNotAfterTheEnd}, Reason{Code: CannotNow}, []Reason{{Code: NotYetEnded}}, []Reason{{Code: AddNote}}},
		{"away", away(), Returned{Step: "premises", Why: "x"}, []Row{RowPresent}, Reason{Code: CannotReturn}, []Reason{{Code: IsAway}}, []Reason{{Code: SayBack}}},
		{"stop", stopped(), cover, []Row{RowNoStopInForce, RowProofsHold}, Reason{Code: CannotAct, Act: "take-cover-off"}, []Reason{{Code: StopInForce, Stop: Declared}}, []Reason{{Code: FollowStop}}},
		{"stop of the method", grave(), PutOn{Items: []string{"tools"}}, nil, Reason{}, nil, nil},
		{"out of turn", at("take-cover-off"), Inspected{Step: "premises", Answer: "they agree"}, []Row{RowInTurn}, Reason{Code: CannotStep, Step: "premises"},
			[]Reason{{Code: AnotherInTurn, Step: "take-cover-off"}}, []Reason{{Code: CarryOut, Step: "take-cover-off"}}},
		{"not entered live", at("premises"), Inspected{Step: "premises", Answer: "they agree", Entry: Entry{Entered: "after", Happened: "2026-11-24T09:00:31Z"}}, []Row{RowEnteredLive},
			Reason{Code: CannotStep, Step: "premises"}, []Reason{{Code: LiveEntryOnly}}, []Reason{{Code: EnterNow}}},
		{"not checked", at("premises"), PutOn{Items: []string{"gloves", "tools"}}, []Row{RowCheckedBeforeWorn}, Reason{Code: CannotPutOn, Items: []string{"gloves", "tools"}},
			[]Reason{{Code: NotChecked, Items: []string{"gloves"}}}, []Reason{{Code: CheckFirst, Items: []string{"gloves"}}}},
		{"not worn", bare(), cover, []Row{RowProtected}, Reason{Code: CannotAct, Act: "take-cover-off"},
			[]Reason{{Code: NotWorn, Items: []string{"gloves"}}}, []Reason{{Code: PutOnFirst, Items: []string{"gloves"}}}},
		{"not taken up", at("premises"), proved, []Row{RowInstrumentInDate}, Reason{Code: CannotProve, Kinds: two},
			[]Reason{{Code: NotTakenUp, Kinds: two}}, []Reason{{Code: TakeUp, Kinds: two}}},
		{"source", at("take-cover-off"), unsuited, []Row{RowSourceSuits}, Reason{Code: CannotProve, Kinds: two},
			[]Reason{{Code: SourceUnsuited, Kinds: two}}, []Reason{{Code: ProveOn, Kinds: two, Sources: []instrument.SourceKind{instrument.ProvingUnit, instrument.KnownLive}}}},
		{"not gone on to", at("premises"), Returned{Step: "withdraw-carrier", Why: "x"}, []Row{RowBackwardsOnly}, Reason{Code: CannotReturn}, []Reason{{Code: LaterStep}}, []Reason{{Code: GoOn}}},
		{"nobody told", stopped(), Resumed{Why: "x"}, []Row{RowToldSomebody}, Reason{Code: CannotResume}, []Reason{{Code: NobodyTold}}, []Reason{{Code: TellSomebody}}},
		{"stop that ends", grave(), Resumed{Why: "x"}, []Row{RowStopCanBeLeft}, Reason{Code: CannotResume}, []Reason{{Code: StopEndsWork, Stop: "metalwork-live"}}, []Reason{{Code: EndVisit}}},
		{"no stop", at("premises"), Resumed{Why: "x"}, []Row{RowToldSomebody, RowStopCanBeLeft}, Reason{Code: CannotResume}, []Reason{{Code: NobodyTold}, {Code: NoStopInForce}}, []Reason{{Code: TellSomebody}, {Code: GoOn}}},
		{"not done", at("take-cover-off"), Ended{Outcome: "completed"}, []Row{RowEverythingDone}, Reason{Code: CannotCallDone},
			[]Reason{{Code: StepsLeft, Step: "take-cover-off"}, {Code: SwitchStands, Switch: site.Seals, Is: "off"}}, []Reason{{Code: EndOtherwise}}},
	} {
		r, err := x.at.v.Check(x.at.event(x.body))
		if err != nil {
			t.Errorf("%s: %v", x.name, err)
			continue
		}
		want := &Refusal{Rows: x.rows, What: x.what, Lacks: x.lack, Ways: x.ways}
		if x.rows == nil {
			want = nil
		}
		if !reflect.DeepEqual(r, want) {
			got, _ := json.Marshal(r)
			t.Errorf("%s: got %s", x.name, got)
		}
	}
	// Refusals whose reasons depend on how a proof came to nothing.
	d := again()
	r := d.refused(carrier, RowProofsHold)
	for _, proof := range m.Method.Steps[d.v.Control().pos].Needs {
		if !lacks(r, NoLongerShown, func(x Reason) bool { return x.Proof == proof && x.Cause.Code == ByLeaving }) {
			t.Errorf("%s: %+v", proof, r.Lacks)
		}
	}
	d = drive(t, m)
	d.to("premises")
	if r := d.refused(LeftOut{Step: "authorised", How: method.CouldNot, Why: "x"}, RowInTurn); r.What.Step != "authorised" {
		t.Errorf("%+v", r.What)
	}
	if !slices.Contains(Outcomes(), DoneOtherwise) {
		t.Error("no outcome says that the work is done otherwise")
	}
}
