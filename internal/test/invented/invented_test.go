package invented

import (
	"bytes"
	"testing"

	"meterwright/record"
	"meterwright/replay"
)

// TestMake: every visit can be made, and what it makes is a genuine record of which every line is
// accepted.
func TestMake(t *testing.T) {
	var reader replay.Reader
	for _, name := range Names() {
		v, err := Make(name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		r, err := record.Verify(bytes.NewReader(v.File()), record.Options{})
		if err != nil || !r.Verdict.Genuine() {
			t.Errorf("%s: %s, %v", name, r.Verdict, err)
		}
		c, err := reader.Read(v.Events())
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if d := c.Visit.Account().Discrepancies; len(d) > 0 {
			t.Errorf("%s: not accepted: %+v", name, d)
		}
	}
}
