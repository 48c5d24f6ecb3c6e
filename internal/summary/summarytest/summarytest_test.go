package summarytest

import (
	"bytes"
	"testing"

	"meterwright/record"
)

// TestMake: every visit can be made, and what it makes is a genuine record.
func TestMake(t *testing.T) {
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
		t.Logf("%s: %d lines, %d attachments, %s", name, len(v.Lines), len(v.Attachments), r.Verdict)
	}
}
