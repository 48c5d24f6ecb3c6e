package replay

import (
	"errors"
	"strings"
	"testing"

	"meterwright/record"
)

func TestEachLine(t *testing.T) {
	var got []string
	each := func(n int, line []byte) error { got = append(got, string(line)); return nil }
	if err := EachLine(strings.NewReader("a\nb\ncut"), each); err != nil || strings.Join(got, ",") != "a,b" {
		t.Errorf("%q, %v", got, err)
	}
	if err := EachLine(strings.NewReader(strings.Repeat("x", record.MaxLine+1)+"\n"), each); err == nil || !strings.Contains(err.Error(), "line 1: ") {
		t.Errorf("a line that is too long: %v", err)
	}
	stop := errors.New("enough")
	if err := EachLine(strings.NewReader("a\nb\n"), func(int, []byte) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("%v", err)
	}
}

func TestReadNeedsAMethod(t *testing.T) {
	if _, err := ReadFile(strings.NewReader(""), nil); !errors.Is(err, ErrNoMethod) {
		t.Errorf("%v", err)
	}
	if _, err := ReadFile(strings.NewReader("{}\n"), nil); err == nil || !strings.Contains(err.Error(), "line 1: ") {
		t.Errorf("%v", err)
	}
}
