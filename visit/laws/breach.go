package laws

import "meterwright/site"

// Law names a rule.
type Law string

// The laws. Those with an act name it in the Breach; evidence also names the point and what was needed.
const (
	StopRefused        Law = "a stop was refused"
	ReportRefused      Law = "a report was refused"
	CorrectionRefused  Law = "a correction was refused"
	WarningRefused     Law = "a warning was refused"
	EndRefused         Law = "an end was refused"
	LeavingRefused     Law = "leaving was refused"
	AfterTheEnd        Law = "something was accepted after the end"
	OpeningNotFirst    Law = "the opening was not the first event, or not the only one"
	EnteredLate        Law = "an answer was taken afterwards in a phase that is entered live"
	NotSound           Law = "protection was put on that had not been found sound, in date and lately"
	NotProvedBefore    Law = "a reading was taken for good with an instrument that was not proved before it"
	NotInDate          Law = "an instrument counted as proved that was not in date"
	SourceUnsuited     Law = "an instrument counted as proved on a source that does not suit it"
	PassedOver         Law = "steps were passed over without a word"
	CompletedInDanger  Law = "a visit counted as completed with danger standing or the service open"
	CompletedOwing     Law = "a visit counted as completed in which something was passed over"
	OnAfterGrave       Law = "work went on after metalwork, neutral or earth was found live"
	OnUntold           Law = "work went on after danger with nobody told"
	BaredOnVoid        Law = "protection came off relying on readings that no longer stood between two good provings"
	HeldByTwo          Law = "work went on while two devices held the visit"
	NotTheHolder       Law = "work went on from a device that does not hold the visit"
	ActedAway          Law = "was accepted from somebody who had left"
	ActedInDanger      Law = "was accepted while danger stood"
	WithoutProtection  Law = "was accepted without protection worn"
	SwitchStood        Law = "was accepted with a switch as it must not stand"
	ActedOnVoid        Law = "relied on readings that no longer stood between two good provings"
	WithoutEvidence    Law = "was accepted without bracketed evidence"
	ProbedBare         Law = "was probed without gloves and without bracketed evidence"
	GlovesOff          Law = "gloves came off beside open terminals without bracketed evidence"
	DeadOutlived       Law = "a proof of dead outlived an act that energises"
	NoKnownEnd         Law = "is refused on the way to a known end"
	SlipNotLast        Law = "something else than the last answer was taken back as a slip"
	SlipOfAnother      Law = "somebody took another's answer back as a slip"
	SlipTwice          Law = "a second answer at the same point was taken back as a slip"
	LiftedUntested     Law = "a stop was lifted otherwise than by a decision, or by the same instrument proved, used at the point again and proved again"
	OutcomeNotAccepted Law = "is refused as an end"
)

// Needs says what evidence is about.
type Needs string

// The evidence.
const (
	Unearthed         Needs = "quiet to an independent reference"
	QuietToEarth      Needs = "quiet to earth"
	QuietToNeutral    Needs = "quiet to neutral"
	LiveToEarth       Needs = "live to earth"
	NilLoad           Needs = "nil load"
	JoinedToCutout    Needs = "joined to the cut-out"
	PartedFromNeutral Needs = "parted from neutral"
	PartedFromEarth   Needs = "parted from earth"
	CarriesNothing    Needs = "carries nothing"
	CarriesShorted    Needs = "carries its current through the links"
	JoinedToBlock     Needs = "joined to the test block"
	LookedSince       Needs = "looked at since the meter was fitted"
)

// Breach is one law broken. Breaches are comparable.
type Breach struct {
	Law     Law
	Act     site.ActID
	At      site.PointID
	Needs   Needs
	Switch  site.SwitchID
	Outcome string
	// Step is the step of the method that asked for it, of what is about evidence: two steps may ask for
	// the same act with another proof.
	Step string
}

// Evidence reports whether the law is one about evidence, of which it is enough that somebody has it.
func (b Breach) Evidence() bool {
	return b.Law == WithoutEvidence || b.Law == ProbedBare || b.Law == GlovesOff
}

// String says it in words.
func (b Breach) String() string {
	text := string(b.Law)
	for _, of := range []string{b.Outcome, string(b.Act)} {
		if of != "" {
			text = of + " " + text
		}
	}
	if b.Law == ProbedBare {
		text = string(b.At) + " " + text
	}
	if b.Needs != "" {
		text += ": "
		if b.At != "" {
			text += string(b.At) + " "
		}
		text += string(b.Needs)
	}
	if b.Switch != "" {
		text += ": " + string(b.Switch)
	}
	if b.Step != "" {
		text += " (" + b.Step + ")"
	}
	return text
}
