package field

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/a-h/templ"

	"meterwright/internal/drawing"
	"meterwright/internal/page"
	"meterwright/method"
	"meterwright/site"
	"meterwright/visit"
)

// Gallery shows every page and every part of one in every state, with invented data, so that a
// change can be looked at. It stands under base.
func Gallery(base string) http.Handler {
	names, pieces := gallery()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		look := page.Layout{Title: "Gallery", Class: "field", Sheets: []string{"field.css"}, Scheme: r.URL.Query().Get("scheme"), Hand: r.URL.Query().Get("hand")}
		if look.Scheme != "dark" {
			look.Scheme = "light"
		}
		if look.Hand != "left" {
			look.Hand = ""
		}
		f := frame{Layout: look, Base: base}
		name := strings.Trim(r.URL.Path, "/")
		if name == "" {
			p := galleryPage{frame: f, Parts: galleryParts()}
			for _, n := range names {
				p.List = append(p.List, wayOn{Words: upperFirst(hyphenless(n)), To: base + "/" + url.PathEscape(n)})
			}
			page.Write(w, r, http.StatusOK, p.Page())
			return
		}
		piece, ok := pieces[name]
		if !ok {
			page.Write(w, r, http.StatusNotFound, plainPage{frame: f, Head: "There is no such piece.", Back: base + "/"}.Page())
			return
		}
		v := visitFrame{frame: f, URL: base, Day: base, State: strings.Repeat("0", 64), Address: "7 Lantern Row, Northmere", Fictional: true, Worn: "insulating gloves and face visor"}
		page.Write(w, r, http.StatusOK, piece(v))
	})
}

type galleryPage struct {
	frame
	List  []wayOn
	Parts []galleryPart
}

// galleryPart is one part, shown light and dark.
type galleryPart struct {
	Name string
	Part templ.Component
}

// Whole-day times of the gallery.
func galleryTime(h, m int) time.Time { return time.Date(2026, 11, 24, h, m, 0, 0, time.UTC) }

func galleryMethod(s site.Spec) *method.Resolved {
	st, err := site.Expand(s)
	if err != nil {
		return &method.Resolved{}
	}
	return &method.Resolved{Claims: st.Spec, Points: st.Points, Switches: st.Switches, Acts: st.Acts}
}

var gallerySpecs = []struct {
	name       string
	spec       site.Spec
	tip, other site.PointID
	switches   map[string]string
	act        site.ActID
}{
	{"single-phase, usual order", site.Spec{Arrangement: site.TNCS}, "meter.n-out", "earthing.met", nil, ""},
	{"single-phase, lines first", site.Spec{Arrangement: site.TNS, Terminals: []string{"l-in", "l-out", "n-in", "n-out"}}, "meter.l-out", "meter.n-out", nil, ""},
	{"five terminals, TT, against the body", site.Spec{Arrangement: site.TT, Switched: true}, "meter.sw-out", "body.self", nil, ""},
	{"carrier out, tails out", site.Spec{Arrangement: site.TNCS}, "cutout.l-load", "cutout.n", map[string]string{"carrier": "out", "tails": "out"}, ""},
	{"meter off", site.Spec{Arrangement: site.TNCS}, "cutout.n", "reference.independent", map[string]string{"carrier": "out", "tails": "out", "meter": "out"}, ""},
	{"socket", site.Spec{Arrangement: site.TNCS}, "socket.l", "socket.e", nil, ""},
	{"metalwork, three parts", site.Spec{Arrangement: site.TNCS, Metalwork: []string{"box", "pipe", "case"}}, "metalwork.pipe", "body.self", nil, ""},
	{"three-phase", site.Spec{Arrangement: site.TNCS, Phases: 3}, "meter.l2-in", "meter.n-in", nil, ""},
	{"three-phase, isolating switch, two units", site.Spec{Arrangement: site.TNS, Phases: 3, Isolator: true, Units: []string{"house", "yard"}}, "cutout.l3-supply", "earthing.met", nil, ""},
	{"an act", site.Spec{Arrangement: site.TNCS}, "", "", nil, "take-tails-out"},
}

func galleryParts() []galleryPart {
	lines := []railLine{{"meter, line in to meter, neutral in", "238.1 V"}, {"meter, neutral in to the operative's own body", "dark"}}
	parts := []galleryPart{
		{"bracket, open", railView{State: "open", Label: "two-pole detector · proved 10:31 · prove again to close", Lines: lines}.piece()},
		{"bracket, closed", railView{State: "closed", Label: "two-pole detector · proved 10:31 and 10:44", Lines: lines}.piece()},
		{"bracket, void", railView{State: "void", Label: "two-pole detector · proved 10:31 · void", Lines: lines, More: 4}.piece()},
		{"bracket, none", railView{State: "none", Label: "two-pole detector · not proved"}.piece()},
		{"supply, live", supplyView{}.chip()},
		{"supply, off", supplyView{Off: true, Since: galleryTime(10, 31), Minutes: 11}.chip()},
		{"answers", pair([]answer{{"x", "lit", "It lights"}, {"x", "dark", "It stays dark"}})},
		{"answers, many", pair([]answer{{"x", "a", "One fuse in an insulating case"}, {"x", "b", "Rewirable"}, {"x", "c", "Metal-clad"}})},
	}
	for _, s := range []string{"new", "going", "hold", "stop", "away", "ended"} {
		parts = append(parts, galleryPart{"strip, " + s, strip(jobLine{State: s, Done: map[string]int{"new": 0, "ended": 9}[s] + map[bool]int{true: 4}[s != "new" && s != "ended"], Steps: map[bool]int{true: 9}[s != "new"]})})
	}
	for _, g := range gallerySpecs {
		m := galleryMethod(g.spec)
		parts = append(parts, galleryPart{"drawing, " + g.name, drawn(drawing.Position{Claims: m.Claims, Switches: g.switches, Tip: g.tip, Other: g.other, Act: g.act})})
	}
	return parts
}

// gallery is every page, by name, in order.
func gallery() (names []string, pieces map[string]func(visitFrame) templ.Component) {
	pieces = map[string]func(visitFrame) templ.Component{}
	add := func(name string, f func(visitFrame) templ.Component) {
		names = append(names, name)
		pieces[name] = f
	}
	open := railView{State: "open", Label: "two-pole detector · proved 10:31 · prove again to close", Lines: []railLine{{"meter, line in to main earthing terminal", "lit"}}}
	m := galleryMethod(site.Spec{Arrangement: site.TNCS})
	step := func(v visitFrame) stepPage {
		return stepPage{visitFrame: v, Phase: "Polarity at the old meter", N: 2, Of: 4, ID: "polarity", PhaseID: "meter", Rail: open}
	}
	limit := &limitView{Words: "declared voltage band", Range: "216.2 to 253.0 V", Mark: "S", Source: "Electricity Safety, Quality and Continuity Regulations 2002, regulation 27"}
	add("observe, lit or dark", func(v visitFrame) templ.Component {
		p := step(v)
		p.Say, p.Kind, p.Gloved, p.MayAfter = "Two-pole detector: meter, neutral out to main earthing terminal. Lit or dark?", visit.KindObserved, true, true
		p.Draw, p.Tip, p.Other = drawn(drawing.Position{Claims: m.Claims, Tip: "meter.n-out", Other: "earthing.met"}), "Meter, neutral out", "Main earthing terminal"
		p.Answers = []answer{{"shows", "lit", "It lights"}, {"shows", "dark", "It stays dark"}}
		return p.Page()
	})
	leads := func(v visitFrame) leadsView {
		return leadsView{URL: v.URL + "/leads-page", Event: strings.Repeat("1", 64), At: "10:44", Upon: "10:44 Voltmeter, socket, neutral to socket, earth: 63.0 V.", Against: []string{"that nothing is wrong", "the PEN conductor of the service is open"},
			Fits: []leadLine{{"one of: the terminal n-out of the meter has a joint about to open (50 Ω); the neutral tail has a joint about to open (50 Ω)", "likely", "0.614", true},
				{"nothing found, if one of the readings was a slip", "less likely", "0.242", false}, {"the neutral of the socket is open", "less likely", "0.081", true}},
			Next:    &nextView{Step: "socket-line-neutral", Say: "Voltmeter: socket, line to socket, neutral. What does it show?", Why: "It would tell apart: the neutral tail has a joint about to open (50 Ω); nothing found.", Nats: "0.41"},
			Outside: "0.002", Untouched: 43, Skipped: 2, Model: "meterwright 0.0.0, model 717817f0b388, position 08f5d54cbf57", Answers: []string{"10:46 followed."}}
	}
	observed := func(v visitFrame, l leadsView) templ.Component {
		p := step(v)
		p.Say, p.Kind = "Two-pole detector: meter, neutral out to main earthing terminal. Lit or dark?", visit.KindObserved
		p.Answers = []answer{{"shows", "lit", "It lights"}, {"shows", "dark", "It stays dark"}}
		p.Leads = l
		return p.Page()
	}
	add("observe, with leads", func(v visitFrame) templ.Component { return observed(v, leads(v)) })
	add("observe, with leads, gloved", func(v visitFrame) templ.Component {
		l := leads(v)
		l.Small = true
		return observed(v, l)
	})
	add("observe, nothing found so far", func(v visitFrame) templ.Component {
		return observed(v, leadsView{URL: v.URL + "/leads-page", Quiet: true, Fits: []leadLine{{visit.NothingFound, "likely", "0.874", false}}})
	})
	add("leads page", func(v visitFrame) templ.Component {
		p := leadsPage{visitFrame: v, leadsView: leads(v)}
		p.Before = []leadsView{{At: "10:40", Fits: []leadLine{{visit.NothingFound, "likely", "0.861", false}}}}
		return p.Page()
	})
	add("leads page, nothing yet", func(v visitFrame) templ.Component { return leadsPage{visitFrame: v}.Page() })
	add("observe, a number", func(v visitFrame) templ.Component {
		p := step(v)
		p.Say, p.Kind, p.Limit = "Voltmeter: meter, line in to meter, neutral in. What does it show?", visit.KindObserved, limit
		p.Number = &numberEntry{Name: "number", Unit: "V"}
		p.Answers = []answer{{"shows", "over-range", "Over its range"}}
		return p.Page()
	})
	add("observe, afterwards", func(v visitFrame) templ.Component {
		p := step(v)
		p.Say, p.Kind, p.Gloved, p.MayAfter, p.After, p.Happened = "Two-pole detector: meter, line in to main earthing terminal. Lit or dark?", visit.KindObserved, true, true, true, "10:42"
		p.Answers = []answer{{"shows", "lit", "It lights"}, {"shows", "dark", "It stays dark"}}
		return p.Page()
	})
	add("number that makes no sense", func(v visitFrame) templ.Component {
		v.Problem = "\"23,8\" is not a decimal number: write it like 23.8."
		p := step(v)
		p.Say, p.Kind = "Voltmeter: meter, line in to meter, neutral in. What does it show?", visit.KindObserved
		p.Number = &numberEntry{Name: "number", Unit: "V", Value: "23,8"}
		return p.Page()
	})
	add("prove", func(v visitFrame) templ.Component {
		p := step(v)
		p.Say, p.Kind = "Prove the two-pole detector again.", visit.KindProved
		p.Sources = []sourceChoice{{Kind: "proving-unit", Words: "proving unit", ID: "PU-9", Chosen: true}, {Kind: "known-live-supply", Words: "known live supply"}}
		p.Answers = []answer{{"shows", "lit", "It lights"}, {"shows", "dark", "It stays dark"}}
		return p.Page()
	})
	add("take up", func(v visitFrame) templ.Component {
		p := step(v)
		p.Rail, p.Say, p.Kind = railView{}, "Take up the two-pole detector.", visit.KindTookUp
		p.Tools = []toolChoice{{ID: "VD-204", Due: "2026-11-01", Leads: "L-17", Past: true}, {ID: "VD-205", Due: "2027-06-13", Leads: "L-22"}}
		return p.Page()
	})
	add("a reading that does not fit", func(v visitFrame) templ.Component {
		p := step(v)
		p.Rail, p.Say, p.Kind, p.Done = railView{}, "Withdraw the carrier in one straight pull.", visit.KindActed, "Done"
		p.Readings = []readingView{{Words: "Final import 03100: implausible. It is lower than the last reading.", Doubt: true}, {Words: "Final export 02050: plausible. It lies between the earlier daily means."}}
		return p.Page()
	})
	add("check", func(v visitFrame) templ.Component {
		p := step(v)
		p.Rail, p.Say, p.Kind = railView{}, "Check the gloves, their date, their class and an air test of each.", visit.KindChecked
		p.Tools = []toolChoice{{ID: "G-31", Due: "2027-01-16"}, {ID: "G-32", Due: "2026-11-01", Past: true}}
		p.Answers = []answer{{"found", "sound", "Sound"}, {"found", "failed", "Failed"}}
		return p.Page()
	})
	add("act, with what it rests on", func(v visitFrame) templ.Component {
		p := step(v)
		p.Say, p.Kind, p.Done, p.Gloved = "Withdraw the carrier in one straight pull, face aside and the other hand clear, and keep it with you.", visit.KindActed, "Done", true
		p.Draw = drawn(drawing.Position{Claims: m.Claims, Act: "withdraw-carrier"})
		p.Rests = []restLine{{"No voltage was found on the metalwork within reach", "since 10:20"}, {"No load current was found at the meter", "since 10:41"}}
		return p.Page()
	})
	add("record", func(v visitFrame) templ.Component {
		p := step(v)
		p.Rail, p.Say, p.Kind, p.Done = railView{}, "Read the final register and photograph it while the display has its supply.", visit.KindRecorded, "Enter"
		p.Fields = []fieldEntry{{Field: method.Field{ID: "final-import", Words: "final register", Type: "reading", Unit: "kWh"}, Last: "last read 03590 on 24 August 2026"},
			{Field: method.Field{ID: "photo", Words: "display of the old meter", Type: "photograph", Optional: true}},
			{Field: method.Field{ID: "told", Words: "who was told", Type: "choice", Choices: []string{"the consumer", "nobody"}}}}
		return p.Page()
	})
	three := Threepart{What: "Not yet: take the tails out of the meter.", Undid: []string{"No longer shown: no voltage was found at the load side of the cut-out and at any meter terminal. What undid it: the two-pole detector showed dark on the proving unit at 10:52."},
		Way: []string{"Go back to its first test: Two-pole detector: meter, line in to main earthing terminal. Lit or dark?"}, Ways: []wayOn{{Words: "Go back to: Two-pole detector: meter, line in", Form: []answer{{Name: "kind", Value: "returned"}}}}}
	add("barred", func(v visitFrame) templ.Component {
		v.Supply = supplyView{Off: true, Since: galleryTime(10, 31), Minutes: 11}
		return blockedPage{visitFrame: v, Phase: "Exchange", Threepart: three, Rail: railView{State: "void", Label: "two-pole detector · proved 10:31 · void"}}.Page()
	})
	add("refused", func(v visitFrame) templ.Component {
		t := three
		t.InSpite = []answer{{Name: "kind", Value: "acted"}}
		return refusalPage{visitFrame: v, Threepart: t}.Page()
	})
	stop := func(v visitFrame) stopPage {
		v.Danger = true
		return stopPage{visitFrame: v, Title: "Voltage on metalwork or on the earthing", Seen: "10:44 Non-contact detector, box (metal) against the operative's own body: lit.",
			Do: []string{"Touch nothing and keep everybody clear", "Ring the distributor on 105 now", "Stay until they take over"}, Owner: "distributor",
			Category: "Service termination issue reporting (the copy in force), category A: danger now: stay at the premises and ring the distributor"}
	}
	add("stop", func(v visitFrame) templ.Component { return stop(v).Page() })
	add("stop, told", func(v visitFrame) templ.Component {
		p := stop(v)
		p.Told = []string{"10:46 the distributor, control room, reference NM-44-1"}
		return p.Page()
	})
	add("stop that can be left", func(v visitFrame) templ.Component {
		v.Danger = true
		return stopPage{visitFrame: v, Title: "Current still flows with every known switch off", Do: []string{"Do not withdraw the carrier", "Look for another board or switch", "Ring your office"}, Owner: "employer", Resume: true,
			Ways: []wayOn{{Words: "Put the meter terminal cover on", Form: []answer{{Name: "kind", Value: "acted"}}}}}.Page()
	})
	add("moved on", func(v visitFrame) templ.Component {
		return stalePage{visitFrame: v, Entered: "it lights", Since: []storyLine{{At: "10:44", Words: "Two-pole detector, meter, line in against main earthing terminal: dark."}}}.Page()
	})
	add("away", func(v visitFrame) templ.Component { return awayPage{v}.Page() })
	add("in other hands", func(v visitFrame) templ.Component { return otherPage{v, "A. Brindle", "10:44"}.Page() })
	add("every step carried out", func(v visitFrame) templ.Component {
		return finishPage{v, []untestedLine{{"Could not", "Plug the socket tester in. What does it show?", "the socket is behind a cupboard"}}}.Page()
	})
	add("ended", func(v visitFrame) templ.Component {
		v.Ended = true
		return endedPage{visitFrame: v, Outcome: outcomeWords[visit.StoppedDanger], Left: "nothing was opened", Guarded: "the operative stays",
			Found: []string{"10:44 stop: voltage on metalwork or on the earthing"}, Untested: []untestedLine{{"Prove dead", "14 steps, 11 tests among them", ""}}, Holder: true}.Page()
	})
	return names, pieces
}
