package script

import "meterwright/method"

// everydayReadings are the readings of a fictional visit to which nothing happens, by the name of their limit.
// They are invented, and a script may give others under usual.
var everydayReadings = map[string]string{
	"declared-voltage":  "238.1 V",
	"neutral-earth":     "0.4 V",
	"dead-voltage":      "0.4 V",
	"no-load-current":   "0.02 A",
	"load-current":      "2.30 A",
	"joined-resistance": "0.08 ohm",
	"loop-tn-cs":        "0.18 ohm",
	"loop-tn-s":         "0.46 ohm",
	"loop-tt-electrode": "86 ohm",
	"loop-line-neutral": "0.18 ohm",
}

// everydayEntries are likewise what is entered, by the role of the field. A meter that is not the job's is invented.
var everydayEntries = map[method.FieldRole]string{
	method.FinalRegister:   "04330",
	method.OpeningRegister: "00000",
	method.NewMeter:        "N-26001",
	method.OldSeals:        "cover S-4471 and S-4472, cut-out S-4473",
	method.NewSeals:        "cover S-5210 and S-5211, cut-out S-5212",
	method.FuseType:        "BS 1361 type II",
	method.FuseRating:      "80",
	method.Torque:          "2.5",
	method.FaultCurrent:    "1.32",
	method.LoadPulses:      "10",
	method.LoadSeconds:     "15.6",
	method.LoadConstant:    "1000",
	method.LoadEstimate:    "2300",
	method.Dependants:      "a freezer, which keeps its cold for the time",
	method.AdviceGiven:     "what was found and measured, and to ring 105 if the supply fails",
}

// everyday is what a fictional visit enters in a field that its script says nothing of.
func (r *Runner) everyday(f *method.Field) (string, bool) {
	switch {
	case !r.Script.Fictional:
		return "", false
	case f.Role == method.OldMeter:
		return r.Job.Meter, r.Job.Meter != ""
	case f.Type == "choice":
		return f.Choices[0], true
	}
	v, ok := everydayEntries[f.Role]
	return v, ok
}
