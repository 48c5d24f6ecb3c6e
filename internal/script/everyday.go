package script

import (
	_ "embed"
	"sync"

	"meterwright/internal/yamldoc"
	"meterwright/method"
)

// everydayValues is what everyday.yaml holds; that file says what its keys mean.
type everydayValues struct {
	Readings map[string]string           `json:"readings"`
	Entries  map[method.FieldRole]string `json:"entries"`
}

//go:embed everyday.yaml
var everydayFile []byte

var everydayVisit = sync.OnceValues(func() (v everydayValues, err error) {
	doc, err := yamldoc.Parse("everyday.yaml", everydayFile)
	if err == nil {
		err = doc.Decode(&v)
	}
	return v, err
})

// everydayReading is what a fictional visit reads at a limit of which its script says nothing.
func (r *Runner) everydayReading(limit string) (string, bool) {
	if !r.Script.Fictional {
		return "", false
	}
	v, ok := r.usually.Readings[limit]
	return v, ok
}

// everydayEntry is what a fictional visit enters in a field of which its script says nothing.
func (r *Runner) everydayEntry(f *method.Field) (string, bool) {
	switch {
	case !r.Script.Fictional:
		return "", false
	case f.Role == method.OldMeter:
		return r.Job.Meter, r.Job.Meter != ""
	case f.Type == "choice":
		return f.Choices[0], true
	}
	v, ok := r.usually.Entries[f.Role]
	return v, ok
}
