package circuit

import "testing"

func solved(t testing.TB, c Circuit, ports ...string) (*Plan, *Workspace) {
	t.Helper()
	p, err := Compile(c, ports)
	if err != nil {
		t.Fatal(err)
	}
	ws := p.NewWorkspace()
	if err := ws.Solve(); err != nil {
		t.Fatal(err)
	}
	if r, err := ws.Check(); err != nil {
		t.Fatalf("%v (%+v)", err, r)
	}
	return p, ws
}

// A node far below the sources stands at the difference of larger voltages,
// so an error is judged against the voltage or a millivolt, whichever is
// greater; a microvolt for the hard cases.
func TestAgainstModifiedNodalAnalysis(t *testing.T) {
	for seed := range uint64(times(60)) {
		for _, s := range []struct {
			name string
			span span
			tol  float64
		}{{"mild", mild, 1e-7}, {"floats", floats, 1e-5}} {
			c := randomCircuit(seed, 8+int(seed%20), s.span)
			p, ws := solved(t, c)
			want, err := c.twice(0, blockLU)
			if err != nil {
				t.Fatal(err)
			}
			if e, at := worst(&c, p, ws, 0, want, 1e-3); !(e <= s.tol) {
				t.Errorf("%s seed %d: %s is off by %.1e, more than %.0e", s.name, seed, at, e, s.tol)
			}
		}
	}
}

func TestAgainstHighPrecision(t *testing.T) {
	most := 0.0
	for seed := range uint64(times(12)) {
		c := randomCircuit(seed, 25, hard)
		p, ws := solved(t, c)
		want, err := c.twice(0, bigGauss)
		if err != nil {
			t.Fatal(err)
		}
		e, at := worst(&c, p, ws, 0, want, 1e-6)
		if !(e <= 1e-9) {
			t.Errorf("seed %d: %s is off by %.1e, more than 1e-9", seed, at, e)
		}
		most = max(most, e)
	}
	t.Logf("largest relative error %.1e", most)
}
