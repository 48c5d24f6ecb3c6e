package rules

import (
	"testing"
)

func TestGBLoads(t *testing.T) {
	p, err := Load(gbJSON)
	if err != nil {
		t.Fatal(err)
	}
	if got := p.Supply.Voltage().String(); got != "216.2 to 253" {
		t.Errorf("declared voltage band is %s", got)
	}
}
