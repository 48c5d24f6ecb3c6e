package field

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/a-h/templ"

	"meterwright/internal/drawing"
	"meterwright/internal/page"
	"meterwright/method"
	"meterwright/replay"
	"meterwright/say"
	"meterwright/site"
	"meterwright/visit"
)

// Gallery shows every page and every part of one in every state, with invented data, so that a
// change can be looked at. It stands under base.
func Gallery(base string, lang *say.Language) http.Handler {
	return exhibit(base, &samples{lang: lang, w: func(s string) string { return s }})
}

// samples makes the pages of the gallery. w puts what methods and people say into other words, for
// tests of a language that nobody speaks.
type samples struct {
	lang  *say.Language
	w     func(string) string
	names []string
	pages map[string]func(visitFrame) templ.Component
}

func exhibit(base string, s *samples) http.Handler {
	s.all()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f := frame{Layout: page.Layout{Title: s.lang.Say("field.gallery.title"), Class: "field", Sheets: []string{"field.css"}, Scheme: "light"}, Base: base, lang: s.lang}
		if r.URL.Query().Get("scheme") == "dark" {
			f.Layout.Scheme = "dark"
		}
		if r.URL.Query().Get("hand") == "left" {
			f.Layout.Hand = "left"
		}
		name := strings.Trim(r.URL.Path, "/")
		if name == "" {
			p := galleryPage{frame: f, Parts: s.parts(f)}
			for _, n := range s.names {
				p.List = append(p.List, wayOn{Words: f.Say("field.capital", "words", s.w(n)), To: base + "/" + url.PathEscape(n)})
			}
			page.Write(w, r, http.StatusOK, p.Page())
			return
		}
		piece, ok := s.pages[name]
		if !ok {
			page.Write(w, r, http.StatusNotFound, plainPage{frame: f, Head: f.Say("field.gallery.nothing"), Back: base + "/"}.Page())
			return
		}
		v := visitFrame{frame: f, URL: base, Day: base, State: strings.Repeat("0", 64), Address: s.w("7 Lantern Row, Northmere"), Fictional: true,
			Worn: s.list("insulating gloves", "face visor"), Supply: supplyView{State: "live"}, Wrong: wayOn{Words: s.lang.Say("field.links.wrong"), To: base}}
		page.Write(w, r, http.StatusOK, piece(v))
	})
}

func (s *samples) list(texts ...string) []string {
	out := make([]string, len(texts))
	for i, t := range texts {
		out[i] = s.w(t)
	}
	return out
}

func (s *samples) answers(name string, texts ...string) []answer {
	var out []answer
	for _, t := range texts {
		out = append(out, answer{name, t, s.w(t)})
	}
	return out
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

// at is a time of the gallery's day.
func at(h, m int) time.Time { return time.Date(2026, 11, 24, h, m, 0, 0, time.UTC) }

func (s *samples) cells(shows ...string) []runCell {
	var out []runCell
	for _, x := range shows {
		out = append(out, runCell{Where: s.w("meter, line in to main earthing terminal"), Shows: s.w(x), Class: "done"})
	}
	return out
}

// run is a run as it stands, with what was shown in it and how many readings are still to come.
func (s *samples) run(state string, ahead int, shows ...string) runView {
	v := runView{State: state, Head: s.lang.Say("field.run.proved", "kind", s.lang.Kind("two-pole-detector"), "id", "VD-204", "opened", at(10, 31)), Tail: s.lang.Say("field.run.again"), Cells: s.cells(shows...)}
	switch state {
	case "closed":
		v.Tail = s.lang.Say("field.run.closed", "closed", at(10, 44))
	case "void":
		v.Tail = s.lang.Say("field.run.void")
		v.Void = s.void()
	case "none":
		v.Now, v.Head = "start", s.lang.Say("field.run.none", "kind", s.lang.Kind("two-pole-detector"))
	}
	for i := range ahead {
		c := runCell{Where: s.w("meter, line out to main earthing terminal"), Class: "ahead"}
		if i == 0 && state == "open" {
			c.Class = "now"
		}
		v.Cells = append(v.Cells, c)
	}
	return v
}

func (s *samples) void() string {
	return s.lang.Say("field.run.void-by", "cause", s.lang.Say("cause.proving-failed", "kind", s.lang.Kind("two-pole-detector"), "shows", s.lang.Say("shows.dark"), "source", s.lang.Source("proving-unit"), "at", s.lang.Say("cause.at", "time", at(10, 52))), "opened", at(10, 31))
}

var galleryDrawings = []struct {
	name string
	drawing.Position
}{
	{"single-phase, usual order", drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Tip: "meter.n-out", Other: "earthing.met"}},
	{"single-phase, lines first", drawing.Position{Claims: site.Spec{Arrangement: site.TNS, Terminals: []string{"l-in", "l-out", "n-in", "n-out"}}, Tip: "meter.l-out", Other: "meter.n-out"}},
	{"five terminals, TT, against the body", drawing.Position{Claims: site.Spec{Arrangement: site.TT, Switched: true}, Tip: "meter.sw-out", Other: "body.self"}},
	{"carrier out, tails out", drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Tip: "cutout.l-load", Other: "cutout.n", Switches: map[string]string{"carrier": "out", "tails": "out"}}},
	{"meter off", drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Tip: "cutout.n", Other: "reference.independent", Switches: map[string]string{"carrier": "out", "tails": "out", "meter": "out"}}},
	{"socket", drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Tip: "socket.l", Other: "socket.e"}},
	{"metalwork, three parts", drawing.Position{Claims: site.Spec{Arrangement: site.TNCS, Metalwork: []string{"box", "pipe", "case"}}, Tip: "metalwork.pipe", Other: "body.self"}},
	{"three-phase", drawing.Position{Claims: site.Spec{Arrangement: site.TNCS, Phases: 3}, Tip: "meter.l2-in", Other: "meter.n-in"}},
	{"three-phase, isolating switch, two units", drawing.Position{Claims: site.Spec{Arrangement: site.TNS, Phases: 3, Isolator: true, Units: []string{"house", "yard"}}, Tip: "cutout.l3-supply", Other: "earthing.met"}},
	{"an act", drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Act: "take-tails-out"}},
}

// drawn draws a position with the names that points have in the site's own words.
func (s *samples) drawn(p drawing.Position) templ.Component {
	m := &method.Resolved{Claims: p.Claims}
	if x, err := site.Expand(p.Claims); err == nil {
		m.Points = x.Points
	}
	p.Words = s.lang.Of(m)
	return drawn(p)
}

func (s *samples) parts(f frame) []galleryPart {
	chip := func(x supplyView) templ.Component { return f.chip(x) }
	parts := []galleryPart{
		{"run, open", s.run("open", 3, "lit", "lit").view(f)},
		{"run, closed", s.run("closed", 0, "238.1 V", "0.4 V").view(f)},
		{"run, void", s.run("void", 0, "dark", "dark", "dark", "dark", "dark", "dark", "dark").view(f)},
		{"run, to be proved", s.run("none", 4).view(f)},
		{"supply, live", chip(supplyView{State: "live"})},
		{"supply, out", chip(supplyView{State: "out", Out: at(10, 31), Minutes: 11})},
		{"supply, proved dead", chip(supplyView{State: "dead", Dead: at(10, 52)})},
		{"supply, stop", chip(supplyView{State: "stop"})},
	}
	for _, l := range []jobLine{{State: "new"}, {State: "going", Phases: phases(replay.PhaseNow)}, {State: "hold", Phases: phases(replay.PhaseNow)}, {State: "stop", Phases: phases(replay.PhaseStopped)}, {State: "away", Phases: phases(replay.PhaseNow)}, {State: "ended", Phases: phases(replay.PhaseDone)}} {
		parts = append(parts, galleryPart{"strip, " + l.State, strip(l)})
	}
	for _, g := range galleryDrawings {
		parts = append(parts, galleryPart{"drawing, " + g.name, s.drawn(g.Position)})
	}
	for i := range parts {
		parts[i].Name = s.w(parts[i].Name)
	}
	return parts
}

func (s *samples) add(name string, f func(visitFrame) templ.Component) {
	s.names = append(s.names, name)
	s.pages[name] = f
}

// step is a page of a step that asks what an instrument shows.
func (s *samples) step(v visitFrame, ask string, kind visit.Kind) stepPage {
	v.Layout.Class += " held"
	p := stepPage{visitFrame: v, ID: "polarity", PhaseID: "meter", Ask: s.w(ask), Kind: kind, Way: s.way(v.frame, 5), Draw: s.drawn(galleryDrawings[0].Position)}
	if kind == visit.KindObserved {
		p.Run = s.run("open", 3, "lit", "lit")
	}
	return p
}

func (s *samples) way(f frame, n int) wayView {
	v := wayView{Words: f.Say("field.step.place", "phase", s.w("Polarity at the old meter"), "n", n+1, "of", 14)}
	for i := range 14 {
		state := replay.PhaseAhead
		if i < n {
			state = replay.PhaseDone
		} else if i == n {
			state = replay.PhaseNow
		}
		v.Cells = append(v.Cells, state)
	}
	return v
}

// all is every page, in order.
func (s *samples) all() {
	s.pages = map[string]func(visitFrame) templ.Component{}
	s.observing()
	s.means()
	s.working()
	s.barred()
	s.stopped()
	s.ending()
}

const (
	askDetector  = "Two-pole detector: meter, neutral out to main earthing terminal. Lit or dark?"
	askVoltmeter = "Voltmeter: meter, line in to meter, neutral in. What does it show?"
)

func (s *samples) observing() {
	detector := func(v visitFrame) stepPage {
		p := s.step(v, askDetector, visit.KindObserved)
		p.Answers, _ = showAnswers(s.lang, "shows", "two-pole-detector")
		return p
	}
	s.add("observe, lit or dark", func(v visitFrame) templ.Component { return detector(v).Page() })
	s.add("a second proving failed", func(v visitFrame) templ.Component {
		p := s.step(v, "", visit.KindProved)
		p.Supply = supplyView{State: "out", Out: at(10, 31), Minutes: 14}
		p.Ask, p.Run = s.void(), s.run("void", 0, "dark", "dark", "dark", "dark", "dark", "dark", "dark")
		p.Run.Void = ""
		p.Ways = []wayOn{{Words: v.Say("field.run.once-more"), To: v.URL}, {Words: v.Say("field.way.take-another", "kind", v.lang.Kind("two-pole-detector")), To: v.URL}}
		return p.Page()
	})
	s.add("a sheet", func(v visitFrame) templ.Component {
		v.Layout.Class += " held"
		p := sheetPage{visitFrame: v, Head: s.w("Look and touch nothing"), Way: s.way(v.frame, 1), Left: 3}
		for i, r := range [][]string{{"Is the cut-out hot, cracked, burnt, or open?", "yes", "no"}, {"What is the state of the service cable?", "sound", "damaged or perished", "not visible"}, {"Is there a source that the job does not name?", "yes", "no"}} {
			row := sheetRow{Step: fmt.Sprintf("row-%d", i), Say: s.w(r[0]), Kind: visit.KindInspected, Answers: s.answers("answer", r[1:]...), Open: i > 0}
			if i == 0 {
				row.Given = "no"
			}
			p.Rows = append(p.Rows, row)
		}
		return p.Page()
	})
	s.add("read aloud", func(v visitFrame) templ.Component {
		p := aloudPage{visitFrame: v, Head: s.w("Polarity at the old meter")}
		yes, _ := showAnswers(s.lang, "shows", "two-pole-detector")
		p.Rows = []aloudRow{{N: 0, Say: s.w("Prove the two-pole detector."), Kind: visit.KindProved, Answers: yes}, {N: 1, Say: s.w(askDetector), Kind: visit.KindObserved, Answers: yes},
			{N: 2, Say: s.w(askVoltmeter), Kind: visit.KindObserved, Number: &numberEntry{Unit: "V"}}}
		return p.Page()
	})
	s.add("observe, a number", func(v visitFrame) templ.Component {
		p := s.step(v, askVoltmeter, visit.KindObserved)
		p.Limit = &limitView{s.w("Declared voltage band"), v.Say("limit.between", "lower", "216.2", "upper", "253.0 V"), "S"}
		p.Number = &numberEntry{Unit: "V"}
		p.Answers = []answer{{"shows", "over-range", v.Say("field.shows.over-range")}}
		return p.Page()
	})
	s.add("number that makes no sense", func(v visitFrame) templ.Component {
		v.Problem = s.w("\"23,8\" is not a decimal number: write it like 23.8.")
		p := s.step(v, askVoltmeter, visit.KindObserved)
		p.Number = &numberEntry{Unit: "V", Value: "23,8"}
		return p.Page()
	})
	s.add("act, with what the readings may mean", func(v visitFrame) templ.Component {
		p := s.step(v, "Take the meter terminal cover off.", visit.KindActed)
		p.Done, p.Means = s.w("Take the meter terminal cover off."), s.meansView(v)
		return p.Page()
	})
}

// phases is a strip with every standing of a phase.
func phases(present replay.Standing) []replay.Standing {
	return []replay.Standing{replay.PhaseDone, replay.PhaseDone, replay.PhaseGap, replay.PhaseUndone, present, replay.PhaseAhead, replay.PhaseAhead}
}

func (s *samples) meansView(v visitFrame) meansView {
	line := func(o visit.Odds, danger bool, words string) string {
		key := "means.line"
		if danger {
			key = "means.line.danger"
		}
		return v.Say(key, "odds", v.lang.Odds(o), "words", s.w(words))
	}
	reading := s.w("Voltmeter, socket, neutral to socket, earth: 63.0 V.")
	all := []string{line(visit.MostLikely, true, "one of: the neutral out terminal of the meter has a joint about to open; the neutral tail has a joint about to open"),
		line(visit.NotLeftOut, true, "the neutral of the socket is open"),
		line(visit.Possible, false, v.Say("means."+string(visit.YetStands)))}
	return meansView{URL: v.URL + "/means-page", Hazard: true, Event: strings.Repeat("1", 64), At: "10:44", Upon: v.Say("field.at", "at", at(10, 44), "words", reading),
		Repeat: []string{v.Say("means.repeat", "at", at(10, 43), "reading", s.w("Clamp meter, meter, line in: 6.0 A."))},
		Lines:  all[:2], All: all, Against: []string{v.Say("means.that-nothing"), s.w("the PEN conductor of the service is open")},
		Next:      &nextView{Step: "socket-line-neutral", Say: s.w("Voltmeter: socket, line to socket, neutral. What does it show?"), Why: s.w("It would tell apart: the neutral tail has a joint about to open; the neutral of the socket is open.")},
		Untouched: 43, Skipped: 2, Model: v.Say("field.means.model", "at", at(10, 44), "engine", s.w("meterwright 0.0.0"), "model", "717817f0b388", "site", "08f5d54cbf57"),
		Answers: []string{v.Say("field.means.followed", "at", at(10, 46))}}
}

func (s *samples) means() {
	s.add("means page", func(v visitFrame) templ.Component {
		p := meansPage{visitFrame: v, meansView: s.meansView(v), Choices: followOrNot(v.frame)}
		p.Before = []meansView{{At: "10:40", Lines: []string{v.Say("means.line", "odds", v.lang.Odds(visit.MostLikely), "words", v.Say("means.nothing"))}}}
		return p.Page()
	})
	s.add("means page, nothing yet", func(v visitFrame) templ.Component { return meansPage{visitFrame: v}.Page() })
}

func (s *samples) working() {
	s.add("prove", func(v visitFrame) templ.Component {
		p := s.step(v, "Prove the two-pole detector again. What does it show?", visit.KindProved)
		p.Run = s.run("open", 0, "lit", "dark")
		p.Run.Now = "end"
		p.Sources = []sourceChoice{{Kind: "proving-unit", Words: v.lang.SourceOf(visit.ProvingSource{Kind: "proving-unit", ID: "PU-9"}), Chosen: true}, {Kind: "known-live-supply", Words: v.lang.Source("known-live-supply")}}
		p.Answers, _ = showAnswers(s.lang, "shows", "two-pole-detector")
		return p.Page()
	})
	s.add("take up", func(v visitFrame) templ.Component {
		p := s.step(v, "Take up the two-pole detector.", visit.KindTookUp)
		p.Tools = []toolChoice{{ID: "VD-204", Words: v.Say("field.kit.calibration.past", "due", "2026-11-01"), Past: true}, {ID: "VD-205", Words: v.Say("field.kit.calibration", "due", "2027-06-13")}}
		return p.Page()
	})
	s.add("a reading that does not fit", func(v visitFrame) templ.Component {
		p := s.step(v, "Withdraw the carrier in one straight pull.", visit.KindActed)
		p.Done = v.Say("field.step.done")
		p.Judged = []judgedView{{Words: s.w("Final register 03100: implausible: it is lower than the last reading."), Correct: "x"}, {Words: s.w("Final register, export 02050: plausible: it lies between the earlier daily means.")}}
		return p.Page()
	})
	s.add("check", func(v visitFrame) templ.Component {
		p := s.step(v, "Check the gloves, their date, their class and an air test of each.", visit.KindChecked)
		p.Tools = []toolChoice{{ID: "G-31", Words: v.Say("field.kit.test", "due", "2027-01-16")}, {ID: "G-32", Words: v.Say("field.kit.test.past", "due", "2026-11-01"), Past: true}}
		p.Answers = soundOrFailed(v.frame, "found")
		return p.Page()
	})
	s.add("act, with what it rests on", func(v visitFrame) templ.Component {
		p := s.step(v, "Withdraw the carrier in one straight pull, face aside and the other hand clear, and keep it with you.", visit.KindActed)
		p.Done = v.Say("field.step.done")
		p.Draw = s.drawn(drawing.Position{Claims: site.Spec{Arrangement: site.TNCS}, Act: "withdraw-carrier"})
		p.Rests = []restLine{{s.w("No voltage was found on the metalwork within reach"), v.Say("proof.holds", "since", "10:20:11")}, {s.w("No load current was found at the meter"), v.Say("proof.holds", "since", "10:41:30")}}
		return p.Page()
	})
	s.add("record", func(v visitFrame) templ.Component {
		p := s.step(v, "Read the final register and photograph it while the display has its supply.", visit.KindRecorded)
		p.Fields = []fieldEntry{{ID: "final-import", Type: "reading", Label: v.Say("field.entry.unit", "field", s.w("final register"), "unit", "kWh"), Last: v.Say("field.entry.last", "reading", "03590", "day", "2026-08-24")},
			{ID: "photo", Type: "photograph", Label: v.Say("field.entry.photograph", "field", s.w("display of the old meter"))},
			{ID: "told", Type: "choice", Label: v.Say("field.entry.label", "field", s.w("who was told")), Choices: s.answers("f.told", "the consumer", "nobody")}}
		return p.Page()
	})
}

func (s *samples) threepart(v visitFrame) Threepart {
	return Threepart{What: s.w("Not yet: take the tails out of the meter."),
		Lacks: s.list("No longer shown: no voltage was found at the load side of the cut-out and at any meter terminal. What undid it: the two-pole detector showed dark on the proving unit at 10:52."),
		Way:   s.list("Go back to its first test: Two-pole detector: meter, line in to main earthing terminal. Lit or dark?"),
		Ways:  []wayOn{returnWay("dead", v.Say("field.way.go-back", "step", s.w("Two-pole detector: meter, line in to main earthing terminal. Lit or dark?")))}}
}

func (s *samples) barred() {
	s.add("barred", func(v visitFrame) templ.Component {
		v.Supply = supplyView{State: "out", Out: at(10, 31), Minutes: 11}
		v.Layout.Class += " held"
		return blockedPage{visitFrame: v, Threepart: s.threepart(v), Run: s.run("void", 0, "dark", "dark"), Seen: v.URL}.Page()
	})
	s.add("refused", func(v visitFrame) templ.Component {
		return refusalPage{visitFrame: v, Threepart: s.threepart(v), Recorded: true, InSpite: []answer{{Name: "kind", Value: "acted"}}}.Page()
	})
	s.add("moved on", func(v visitFrame) templ.Component {
		return stalePage{visitFrame: v, Entered: s.w("lit"), Since: []storyLine{{At: "10:44", Words: s.w("Two-pole detector, meter, line in against main earthing terminal: dark.")}}}.Page()
	})
	s.add("away", func(v visitFrame) templ.Component { return awayPage{v}.Page() })
	other := holderLine{Who: s.w("A. Brindle"), Since: s.lang.Say("field.hands.since", "since", at(10, 2)), Last: s.lang.Say("field.hands.last", "last", at(10, 44))}
	s.add("in other hands", func(v visitFrame) templ.Component {
		return handsPage{visitFrame: v, Head: v.Say("field.hands.other", "who", other.Who), Holders: []holderLine{other}}.Page()
	})
	here := holderLine{Who: s.w("R. Quill"), Since: other.Since, Last: other.Last, Here: true}
	s.add("held by two", func(v visitFrame) templ.Component {
		return handsPage{visitFrame: v, Head: v.Say("field.hands.two"), Stop: s.w("smoke in the cupboard"), Holders: []holderLine{other, here}, Contested: true, Ours: true, Chained: true}.Page()
	})
	s.add("handed over to this device", func(v visitFrame) templ.Component {
		gone := other
		gone.Since = v.Say("field.hands.released")
		return handsPage{visitFrame: v, Head: v.Say("field.hands.behind", "who", gone.Who), Holders: []holderLine{gone, here}, Ours: true, Chained: true}.Page()
	})
}

func (s *samples) stopped() {
	stop := func(v visitFrame) stopPage {
		v.Stop, v.Supply = s.w("Voltage on metalwork or on the earthing"), supplyView{State: "stop"}
		return stopPage{visitFrame: v, To: site.Distributor, Ring: "105", Title: v.Say("field.stop.head", "stop", s.w("Voltage on metalwork or on the earthing")), Seen: v.Say("field.at", "at", at(10, 44), "words", s.w("Non-contact detector, box (metal) against the operative's own body: lit.")),
			Do: s.list("Touch nothing and keep everybody clear", "Ring the distributor on 105 now", "Stay until they take over"), Owner: v.Say("field.stop.owner", "owner", v.lang.Owner(site.Distributor)),
			Category: v.Say("category.meaning", "scheme", s.w("Service termination issue reporting"), "edition", s.w("the copy in force"), "code", "A", "meaning", s.w("danger now: stay at the premises and ring the distributor"))}
	}
	s.add("stop", func(v visitFrame) templ.Component { return stop(v).Page() })
	s.add("stop, told", func(v visitFrame) templ.Component {
		p := stop(v)
		p.Told = []string{v.Say("field.at", "at", at(10, 46), "words", v.lang.Told(site.Distributor, "", s.w("control room"), "NM-44-1"))}
		return p.Page()
	})
	s.add("stop, declared and not named", func(v visitFrame) templ.Component {
		v.Stop, v.Supply = v.Say("stop.declared"), supplyView{State: "stop"}
		named := func(words string) wayOn {
			return wayOn{Words: s.w(words), Form: []answer{{Name: "kind", Value: "stopped"}}}
		}
		return stopPage{visitFrame: v, Title: v.Say("field.stop.head", "stop", v.Stop), Do: []string{v.Say("field.stop.do.back"), v.Say("field.stop.do.tell"), v.Say("field.stop.do.decide")}, Resume: true,
			Declares: declarations{First: true, Alarms: []wayOn{named("Something burns or smokes"), named("Somebody was hurt or nearly hurt"), named("The carrier moved and sits loose in the cut-out")},
				Back: []wayOn{named("The work is given up with the carrier in")}}}.Page()
	})
	s.add("stop that can be left", func(v visitFrame) templ.Component {
		v.Stop, v.Supply = s.w("Current still flows"), supplyView{State: "stop"}
		return stopPage{visitFrame: v, Title: v.Say("field.stop.head", "stop", s.w("Current still flows with every known switch off")), Do: s.list("Do not withdraw the carrier", "Look for another board or switch", "Ring your office"),
			Owner: v.Say("field.stop.owner", "owner", v.lang.Owner(site.Employer)), Resume: true, Ways: []wayOn{{Words: s.w("Put the meter terminal cover on"), Form: []answer{{Name: "kind", Value: "acted"}}}}}.Page()
	})
}

func (s *samples) ending() {
	left := undoneLine{How: s.lang.Say("field.capital", "words", s.lang.Omission("could-not")), Say: s.w("Plug the socket tester in. What does it show?"), Why: s.w("the socket is behind a cupboard")}
	s.add("no step left", func(v visitFrame) templ.Component { return finishPage{v, []undoneLine{left}}.Page() })
	s.add("ended", func(v visitFrame) templ.Component {
		v.Ended = true
		return endedPage{visitFrame: v, Outcome: v.Say("field.capital", "words", v.lang.Outcome("stopped-danger")), Left: s.w("nothing was opened"), Guarded: s.w("the operative stays"),
			Found:  []foundLine{{Words: v.Say("field.ended.stop", "at", at(10, 44), "words", s.w("Voltage on metalwork or on the earthing.")), Owner: v.Say("field.ended.owner", "owner", v.lang.Owner(site.Distributor))}},
			Undone: []undoneLine{left, {How: s.w("Prove dead"), Say: v.Say("field.untested.count", "steps", v.Say("count.step", "n", 14), "tests", v.Say("count.test", "n", 11))}}, Supplements: true}.Page()
	})
	s.add("story, with a correction", func(v visitFrame) templ.Component {
		p := storyPage{visitFrame: v, Runs: []runView{s.run("closed", 0, "lit")}}
		p.Lines = []storyLine{{At: "10:31", Words: s.w("Two-pole detector, meter, line in against main earthing terminal: lit."), Beside: []string{v.Say("field.story.corrected", "at", at(10, 40), "now", v.Say("correction.now", "now", s.w("dark")))}},
			{At: "10:40", Words: s.w("Corrected: lit was entered, now dark. The other button was meant.")}}
		p.Proofs = []proofLine{{s.w("No load current was found at the meter"), v.Say("proof.undone"), s.w(fmt.Sprintf("held until %s: an answer was corrected", say.Second(at(10, 40))))}}
		return p.Page()
	})
}
