package visit

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"

	"meterwright/instrument"
	"meterwright/method"
)

// add notes an accepted event. before is the state after time has passed and
// after is the state that the event led to.
func (a *Account) add(v *Visit, e *Event, r *reduced, before, after *Control) {
	i := len(a.events)
	a.events = append(a.events, kept{hash: e.Hash, body: e.Body, wall: e.Wall, do: r.do, step: r.step, tool: r.tool, items: r.items})
	a.byHash[e.Hash] = i
	if a.Begun.IsZero() {
		a.Begun = e.Wall
	}
	a.Last = e.Wall
	if e.Person != "" {
		a.People[e.Person]++
	}
	words := a.take(v, e, r, before, after)
	a.contributed(v, e, r, before, after)
	a.proofs(v, e, before, after, a.cause(v, e, r))
	a.stops(v, e, before, after)
	a.supply(e, before, after)
	a.Story = append(a.Story, Line{At: e.Wall, Event: e.Hash, Kind: e.Body.kind(), Words: words, Happened: happened(e.Body)})
}

// take notes what is special to each kind of event and returns its sentence.
func (a *Account) take(v *Visit, e *Event, r *reduced, before, after *Control) string {
	switch b := e.Body.(type) {
	case Opened:
		a.Opened = &b
		return fmt.Sprintf("Visit opened: job %s, %s.", b.Job, b.Premises.Address)
	case Method:
		return fmt.Sprintf("Method %s, edition %s.", v.machine.Method.Method, v.machine.Method.Edition)
	case TookUp:
		return a.takeTookUp(b, e, r)
	case Checked:
		words := fmt.Sprintf("%s checked: %s.", upperFirst(v.protectionWords(r.items)), b.Found)
		if r.result == unexpected && b.Found == "sound" {
			words = fmt.Sprintf("%s checked: sound, but its test fell due on %s.", upperFirst(v.protectionWords(r.items)), b.Due)
		}
		return words
	case PutOn:
		return "Put on: " + v.protectionWords(r.items) + "."
	case TookOff:
		if b.InSpite {
			return "Took off in spite of a refusal: " + v.protectionWords(r.items) + ". " + upperFirst(sentence(b.Why))
		}
		return "Took off: " + v.protectionWords(r.items) + "."
	case Proved:
		return a.takeProved(b, e, r, before)
	case Observed:
		return a.takeObserved(v, b, e, r, before)
	case Inspected:
		if r.result == unexpected {
			a.remark(v, e, r)
		}
		return strings.TrimSpace(fmt.Sprintf("%s %s. %s", v.say(r.step), upperFirst(b.Answer), upperFirst(sentence(b.Note))))
	case Decided:
		return fmt.Sprintf("%s %s.", v.say(r.step), upperFirst(b.Value))
	case Recorded:
		a.Entries = append(a.Entries, EntryLine{Event: e.Hash, At: e.Wall, Step: b.Step, Entries: b.Entries, Photographs: b.Photographs})
		return "Recorded: " + entryWords(v.machine.Method.Steps[r.step].Record, b) + "."
	case Acted:
		return a.takeActed(v, b, e, r, before)
	case LeftOut:
		a.LeftOut = append(a.LeftOut, LeftOutLine{Event: e.Hash, At: e.Wall, Step: b.Step, Say: v.say(r.step), How: b.How, Why: b.Why})
		return fmt.Sprintf("%s: %s %s", upperFirst(strings.ReplaceAll(b.How, "-", " ")), v.say(r.step), upperFirst(sentence(b.Why)))
	case Returned:
		return strings.TrimSpace(fmt.Sprintf("Went back to: %s %s", v.say(r.step), upperFirst(sentence(b.Why))))
	case WentAway:
		a.voidBrackets(e, before, after, "the service position was left")
		return strings.TrimSpace("Left the service position. " + upperFirst(sentence(b.Why)))
	case CameBack:
		return "Back at the service position."
	case Corrected:
		return a.takeCorrected(v, b, e, r)
	case Stopped:
		return "Stopped: " + sentence(b.Why)
	case Reported:
		a.Reports = append(a.Reports, ReportLine{Event: e.Hash, At: e.Wall, Reported: b})
		return reportWords(b)
	case Resumed:
		return "Decided to go on: " + sentence(b.Why)
	case Refused:
		a.Refusals = append(a.Refusals, RefusalLine{Event: e.Hash, At: e.Wall, Refused: b})
		return "Refused: " + b.What
	case Defect:
		a.Defects = append(a.Defects, DefectLine{Event: e.Hash, At: e.Wall, Defect: b})
		return fmt.Sprintf("Defect for the %s, %s: %s", b.Owner, b.Asset, sentence(b.Words))
	case Dependant:
		a.Dependants = append(a.Dependants, b)
		return "Somebody depends on the supply: " + sentence(b.Words)
	case Photograph:
		a.Photographs = append(a.Photographs, b)
		return "Photograph of " + sentence(b.Of)
	case Noted:
		return upperFirst(sentence(b.Words))
	case Advised:
		return a.takeAdvised(b, e)
	case Answered:
		return a.takeAnswered(b, e)
	case TakenOver:
		a.voidBrackets(e, before, after, "another person took the visit over")
		return "Taken over from another device."
	case Ended:
		a.End = &b
		return strings.Join(strings.Fields(fmt.Sprintf("Ended: %s. %s %s", strings.ReplaceAll(b.Outcome, "-", " "), sentence(upperFirst(b.Why)), sentence(upperFirst(b.Left)))), " ")
	case Supplement:
		return "Added afterwards: " + sentence(b.Words)
	}
	return ""
}

func (a *Account) takeTookUp(b TookUp, e *Event, r *reduced) string {
	model, _ := instrument.Lookup(b.Instrument.Kind)
	a.closeBracket(int(r.tool), e, "void", "the "+model.Words+" was replaced before it was proved again")
	a.toolID[r.tool] = b.Instrument.ID
	a.Instruments = append(a.Instruments, b.Instrument)
	if r.result == unexpected {
		due := "has no date of calibration"
		if b.Instrument.Due != "" {
			due = "was due for calibration on " + b.Instrument.Due
		}
		return fmt.Sprintf("%s %s %s: it is not used.", upperFirst(model.Words), b.Instrument.ID, due)
	}
	return fmt.Sprintf("%s %s taken up.", upperFirst(model.Words), b.Instrument.ID)
}

func (a *Account) takeProved(b Proved, e *Event, r *reduced, before *Control) string {
	model, _ := instrument.Lookup(b.Kind)
	on := strings.ReplaceAll(string(b.Source.Kind), "-", " ")
	if r.result != expected {
		why := fmt.Sprintf("the %s showed %s on the %s at %s", model.Words, b.Shows, on, e.Wall.Format("15:04"))
		a.closeBracket(int(r.tool), e, "void", why)
		return upperFirst(why) + "."
	}
	if before.tools[r.tool] == toolProved {
		if k := a.bracket[r.tool]; k > 0 {
			br := &a.Brackets[k-1]
			src := b.Source
			br.State, br.Closed, br.ClosedAt, br.ClosedOn = "closed", e.Hash, e.Wall, &src
		}
	}
	a.Brackets = append(a.Brackets, Bracket{Kind: b.Kind, Instrument: b.ID, Source: b.Source, Opened: e.Hash, OpenedAt: e.Wall, State: "open"})
	a.bracket[r.tool] = len(a.Brackets)
	return fmt.Sprintf("%s %s proved on the %s: %s.", upperFirst(model.Words), b.ID, on, b.Shows)
}

func (a *Account) takeObserved(v *Visit, b Observed, e *Event, r *reduced, before *Control) string {
	o := v.machine.Method.Steps[r.step].Observe
	line := Reading{Event: e.Hash, At: e.Wall, Happened: b.Happened, Step: b.Step, Kind: instrument.Kind(o.With),
		Instrument: a.toolID[r.tool], Point: o.At, Against: o.Against, Shows: b.Shows, Judged: r.judged, Bounds: o.Bounds,
		Bracket: -1, Worn: v.wornIn(before), Switches: v.switchesIn(before), Note: b.Note}
	if before.tools[r.tool] == toolProved {
		line.Bracket = a.bracket[r.tool] - 1
	}
	a.Readings = append(a.Readings, line)
	if r.result == unexpected {
		a.remark(v, e, r)
	}
	model, _ := instrument.Lookup(line.Kind)
	words := fmt.Sprintf("%s, %s: %s.", upperFirst(model.Words), v.between(o), b.Shows)
	if line.Bounds != nil && line.Judged.Verdict != "" {
		words += fmt.Sprintf(" %s (%s): %s.", upperFirst(line.Bounds.Words), line.Bounds.Mark, line.Judged.Verdict)
	}
	return strings.TrimSpace(words + " " + sentence(b.Note))
}

func (a *Account) takeActed(v *Visit, b Acted, e *Event, r *reduced, before *Control) string {
	act := v.machine.Method.Acts[r.act]
	line := ActLine{Event: e.Hash, At: e.Wall, Act: b.Act, Words: act.Words, Worn: v.wornIn(before), InSpite: b.InSpite, Why: b.Why, Happened: b.Happened}
	if r.step >= 0 {
		line.Step = v.machine.Method.Steps[r.step].ID
		line.Rests = a.rests(v.machine.steps[r.step].needs & v.machine.held(before))
	}
	a.Acts = append(a.Acts, line)
	if b.InSpite {
		return fmt.Sprintf("Done in spite of a refusal: %s. %s", act.Words, upperFirst(sentence(b.Why)))
	}
	return upperFirst(act.Words) + "."
}

func (a *Account) takeCorrected(v *Visit, b Corrected, e *Event, r *reduced) string {
	was := a.events[a.byHash[b.Event]]
	c := Correction{Event: e.Hash, At: e.Wall, Of: b.Event, Was: answerWords(was.body), Now: b.Now, Why: b.Why}
	if len(b.Entries) > 0 {
		var parts []string
		for _, k := range sortedKeys(b.Entries) {
			parts = append(parts, k+" "+b.Entries[k])
		}
		c.Now = strings.Join(parts, ", ")
		a.correctEntries(b)
	}
	a.Corrections = append(a.Corrections, c)
	a.withdraw(was, r)
	now := "withdrawn"
	if c.Now != "" {
		now = "now " + c.Now
	}
	return fmt.Sprintf("Corrected: %s was entered, %s. %s", c.Was, now, upperFirst(sentence(b.Why)))
}

// correctEntries adds an entry line that replaces the fields corrected; the
// line that it corrects stays as it was entered.
func (a *Account) correctEntries(b Corrected) {
	for i := range a.Entries {
		if a.Entries[i].Event == b.Event {
			merged := map[string]string{}
			for k, val := range a.Entries[i].Entries {
				merged[k] = val
			}
			for k, val := range b.Entries {
				merged[k] = val
			}
			a.Entries[i].Entries = merged
		}
	}
}

// withdraw flags the readings that a correction takes back, and every act that
// rested on one of them.
func (a *Account) withdraw(was kept, r *reduced) {
	gone := map[string]bool{was.hash: true}
	for i := range a.Readings {
		rd := &a.Readings[i]
		bad := rd.Event == was.hash
		if was.do == doProve && r.result != expected && rd.Bracket >= 0 {
			br := &a.Brackets[rd.Bracket]
			if br.Opened == was.hash || br.Closed == was.hash {
				br.State, br.Why = "void", "a proving of it was withdrawn"
				bad = true
			}
		}
		if was.do == doTakeUp && r.result != expected && was.tool >= 0 && instrument.Index(rd.Kind) == int(was.tool) {
			bad = true
		}
		if bad {
			rd.Withdrawn = true
			gone[rd.Event] = true
		}
	}
	for i := range a.Acts {
		if slices.ContainsFunc(a.Acts[i].Rests, func(h string) bool { return gone[h] }) {
			a.Acts[i].Withdrawn = true
		}
	}
}

// contributed keeps which events each run of a proof is made of.
func (a *Account) contributed(v *Visit, e *Event, r *reduced, before, after *Control) {
	if r.step < 0 || r.result != expected || r.do != doObserve && r.do != doInspect {
		return
	}
	for set := v.machine.steps[r.step].supports; set != 0; set &= set - 1 {
		p := bits.TrailingZeros16(set)
		if after.proofs[p].phase == proofNone {
			continue
		}
		if first, _ := v.machine.span(after, p); first == r.step {
			a.runs[p] = nil
		}
		a.runs[p] = append(a.runs[p], e.Hash)
	}
}

func (a *Account) closeBracket(tool int, e *Event, state, why string) {
	k := a.bracket[tool]
	if k == 0 {
		return
	}
	br := &a.Brackets[k-1]
	br.State, br.Why, br.Closed, br.ClosedAt = state, why, e.Hash, e.Wall
	a.bracket[tool] = 0
}

// voidBrackets ends every open bracket that an event made void.
func (a *Account) voidBrackets(e *Event, before, after *Control, why string) {
	for i := range before.tools {
		if before.tools[i] == toolProved && after.tools[i] != toolProved {
			a.closeBracket(i, e, "void", why)
		}
	}
}

func (a *Account) remark(v *Visit, e *Event, r *reduced) {
	u := v.machine.Method.Steps[r.step].Unexpected
	if u == nil || u.Remark == "" {
		return
	}
	a.Remarks = append(a.Remarks, Remark{Event: e.Hash, At: e.Wall, Step: v.machine.Method.Steps[r.step].ID,
		Words: u.Remark, Scheme: u.Scheme, Category: u.Category, Owner: string(u.Owner)})
}

func (a *Account) stops(v *Visit, e *Event, before, after *Control) {
	if before.stop == after.stop {
		return
	}
	if before.stop != 0 && len(a.Stops) > 0 {
		last := &a.Stops[len(a.Stops)-1]
		last.LeftAt = e.Wall
		if b, ok := e.Body.(Resumed); ok {
			last.Why = b.Why
		}
	}
	switch {
	case after.stop == personStop:
		title := "Stopped by the person on site."
		if b, ok := e.Body.(Stopped); ok {
			title = sentence(b.Why)
		}
		a.Stops = append(a.Stops, StopLine{ID: "declared", Title: title, At: e.Wall, Event: e.Hash})
	case after.stop != 0:
		s := v.machine.Method.Stops[after.stop-1]
		a.Stops = append(a.Stops, StopLine{ID: s.ID, Title: s.Title, At: e.Wall, Event: e.Hash, Scheme: s.Scheme, Category: s.Category, Owner: string(s.Owner)})
	}
}

func (a *Account) supply(e *Event, before, after *Control) {
	if a.carrier < 0 {
		return
	}
	bit := uint32(1) << a.carrier
	switch {
	case before.switches&bit == 0 && after.switches&bit != 0:
		a.Supply = append(a.Supply, Outage{Off: e.Wall, OffEvent: e.Hash})
	case before.switches&bit != 0 && after.switches&bit == 0 && len(a.Supply) > 0:
		last := &a.Supply[len(a.Supply)-1]
		last.On, last.OnEvent = e.Wall, e.Hash
	}
}

// cause says in words why the event undid a proof.
func (a *Account) cause(v *Visit, e *Event, r *reduced) string {
	at := " at " + e.Wall.Format("15:04")
	if r.inSpite {
		return "an act was done in spite of a refusal" + at
	}
	switch b := e.Body.(type) {
	case TookUp:
		return "an instrument was replaced before it was proved again" + at
	case Checked, TookOff:
		return "protection came off" + at
	case Proved:
		model, _ := instrument.Lookup(b.Kind)
		return fmt.Sprintf("the %s showed %s on the %s%s", model.Words, b.Shows, strings.ReplaceAll(string(b.Source.Kind), "-", " "), at)
	case Observed:
		return fmt.Sprintf("%s was seen at %s%s", b.Shows, v.between(v.machine.Method.Steps[r.step].Observe), at)
	case Inspected:
		return fmt.Sprintf("the answer was %q%s", b.Answer, at)
	case Decided:
		return "something else was found on site" + at
	case Acted:
		return "you began to " + v.machine.Method.Acts[r.act].Words + at
	case LeftOut:
		return "a test of the run was left out" + at
	case Returned, Resumed:
		return "the tests are begun again" + at
	case WentAway:
		return "the service position was left" + at
	case TakenOver:
		return "another person took the visit over" + at
	case Corrected:
		return "an answer was corrected" + at
	}
	return "something changed" + at
}

func (v *Visit) say(step int16) string {
	if step < 0 {
		return ""
	}
	return v.machine.Method.Steps[step].Say
}

func (v *Visit) between(o *method.Observe) string {
	at := v.point(o.At)
	if o.Against == "" {
		return at
	}
	return at + " against " + v.point(o.Against)
}

func (v *Visit) point(id string) string {
	for _, p := range v.machine.Method.Points {
		if string(p.ID) == id {
			return p.Words
		}
	}
	return id
}

func (v *Visit) protectionWords(items uint8) string {
	var words []string
	for i, p := range v.machine.Method.Protection {
		if items&(1<<i) != 0 {
			words = append(words, p.Words)
		}
	}
	return list(words)
}

func entryWords(r *method.Record, b Recorded) string {
	var parts []string
	for _, f := range r.Fields {
		if val, ok := b.Entries[f.ID]; ok {
			text := f.Words + ": " + val
			if f.Unit != "" {
				text += " " + f.Unit
			}
			parts = append(parts, text)
		}
		if _, ok := b.Photographs[f.ID]; ok {
			parts = append(parts, "photograph of "+f.Words)
		}
	}
	return strings.Join(parts, "; ")
}

func reportWords(b Reported) string {
	words := "Told " + b.To
	if b.Name != "" {
		words += ", " + b.Name
	}
	if b.Reference != "" {
		words += ", reference " + b.Reference
	}
	return strings.TrimSpace(words + ". " + upperFirst(sentence(b.Words)))
}

func answerWords(b Body) string {
	switch b := b.(type) {
	case Observed:
		return b.Shows.String()
	case Inspected:
		return b.Answer
	case Proved:
		return b.Shows.String()
	case TookUp:
		return "calibration due " + b.Instrument.Due
	case Checked:
		return b.Found
	case Decided:
		return b.Value
	case Recorded:
		var parts []string
		for _, k := range sortedKeys(b.Entries) {
			parts = append(parts, k+" "+b.Entries[k])
		}
		return strings.Join(parts, ", ")
	}
	return string(b.kind())
}

func happened(b Body) string {
	switch b := b.(type) {
	case TookUp:
		return b.Happened
	case Checked:
		return b.Happened
	case PutOn:
		return b.Happened
	case TookOff:
		return b.Happened
	case Proved:
		return b.Happened
	case Observed:
		return b.Happened
	case Inspected:
		return b.Happened
	case Decided:
		return b.Happened
	case Recorded:
		return b.Happened
	case Acted:
		return b.Happened
	case LeftOut:
		return b.Happened
	case Defect:
		return b.Happened
	case Photograph:
		return b.Happened
	}
	return ""
}

func list(words []string) string {
	switch n := len(words); n {
	case 0:
		return ""
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
}

// sentence ends words with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") || strings.HasSuffix(s, "!") {
		return s
	}
	return s + "."
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
