package circuit

import (
	"fmt"
	"math"
)

// EarthPort stands for true earth wherever a port number is asked for.
const EarthPort = -1

// Curve is the admittance in siemens of a thing whose admittance depends on
// the r.m.s. voltage across it, in volts. It must be continuous, of no
// negative conductance, and a pure function.
type Curve func(vVolt float64) Phasor

// Pair is a load on two ports, alone on the circuit.
type Pair struct {
	A, B  int    // port numbers, or EarthPort
	Y     Phasor // its admittance in siemens
	Curve Curve  // if not nil, used instead of Y
}

// curveSteps is how often a curve is evaluated. A fixed count keeps the
// result a function of the circuit alone.
const curveSteps = 8

// placePorts finds the row of each port in the port network. Earth and held
// nodes share the last row, which is all zero.
func (p *Plan) placePorts() {
	p.slot = make([]int32, len(p.ports))
	for i, position := range p.ports {
		p.slot[i] = min(position, int32(p.n)) - int32(p.interior)
	}
}

func (p *Plan) site(port int) (position, slot int, err error) {
	if port == EarthPort {
		return p.n, p.n - p.interior, nil
	}
	if port < 0 || port >= len(p.ports) {
		return 0, 0, fmt.Errorf("circuit: port %d %w: the plan has %d ports", port, errUnknownPort, len(p.ports))
	}
	return int(p.ports[port]), int(p.slot[port]), nil
}

func checkAdmittance(y Phasor) error {
	if !y.finite() {
		return fmt.Errorf("circuit: admittance %w: give finite siemens", errNotANumber)
	}
	if y.Re < 0 {
		return fmt.Errorf("circuit: conductance %w: give siemens from zero up", errNegative)
	}
	if y.norm1() > maxSiemens {
		return fmt.Errorf("circuit: admittance %w: at most %.0e S", errOutOfRange, maxSiemens)
	}
	return nil
}

var errNotSolved = fmt.Errorf("circuit: values have changed: call Solve first")

// impedances fills the impedance matrix of the ports: the voltage at one for
// one ampere into another, sources dead. The last port depends on earth
// alone; each earlier one is a weighted mean of those after it, so nothing is
// subtracted here either.
func (ws *Workspace) impedances() {
	p := ws.plan
	g := &p.program
	ports, stride := p.n-p.interior, p.n-p.interior+1
	z := ws.net.z
	for k := p.n - 1; k >= p.interior; k-- {
		r := k - p.interior
		first, last := g.start[k], g.start[k+1]-1
		far := g.far[first:last]
		share := ws.share[first:last][:len(far)]
		row := z[r*stride+r+1 : r*stride+ports]
		if len(far) == 0 {
			clear(row)
		}
		for i, f := range far {
			from := int(f) - p.interior
			other := z[from*stride+r+1:][:len(row)]
			s := share[i]
			if i == 0 {
				for x := range row {
					o := other[x]
					row[x] = Phasor{
						float64(s.Re*o.Re) - float64(s.Im*o.Im),
						float64(s.Re*o.Im) + float64(s.Im*o.Re),
					}
				}
				continue
			}
			for x := range row {
				o, t := other[x], &row[x]
				t.Re += float64(s.Re*o.Re) - float64(s.Im*o.Im)
				t.Im += float64(s.Re*o.Im) + float64(s.Im*o.Re)
			}
		}
		own := ws.inv[k]
		for i, f := range far {
			own = own.Plus(share[i].Times(row[int(f)-k-1]))
		}
		z[r*stride+r] = own
		for x, at := 0, (r+1)*stride+r; x < len(row); x, at = x+1, at+stride {
			z[at] = row[x]
		}
	}
	for i := range ports {
		ws.net.size[i] = z[i*stride+i].norm1()
	}
	ws.net.zKnown = true
}

// Thevenin returns the open-circuit voltage from port b to port a due to one
// group, and the impedance between them with all sources dead, in volts and
// ohms. The impedance is a difference of impedances to earth: its error is
// about 1e-15 of the larger of those, 3 µΩ for a conductor that only
// picofarads hold.
func (ws *Workspace) Thevenin(a, b, group int) (open, impedance Phasor, err error) {
	p := ws.plan
	pa, sa, err := p.site(a)
	if err != nil {
		return open, impedance, err
	}
	pb, sb, err := p.site(b)
	if err != nil {
		return open, impedance, err
	}
	if group < 0 || group >= len(p.groups) {
		return open, impedance, fmt.Errorf("circuit: group %d %w", group, errUnknownGroup)
	}
	if !ws.solved {
		return open, impedance, errNotSolved
	}
	if !ws.net.zKnown {
		ws.impedances()
	}
	return ws.Voltage(pa, group).Minus(ws.Voltage(pb, group)), ws.net.across(sa, sb), nil
}

// across is Z[aa] + Z[bb] − 2·Z[ab].
func (t *portNet) across(a, b int) Phasor {
	stride := t.ports + 1
	return t.z[a*stride+a].Minus(t.z[a*stride+b]).Plus(t.z[b*stride+b].Minus(t.z[a*stride+b]))
}

// LoadPairs finds the voltage in volts across each pair, from B to A, with
// only that pair loaded, and writes it to out: group by group for the first
// pair, then for the next. Out has room for len(pairs)·len(Groups()) phasors.
// Call Solve first. The gap is the greatest number of volts by which a
// voltage across a pair with a curve differs from the one its admittance was
// taken at: zero without curves, small when the iteration has settled.
func (ws *Workspace) LoadPairs(pairs []Pair, out []Phasor) (gapVolt float64, err error) {
	groups := len(ws.plan.groups)
	if len(out) < len(pairs)*groups {
		return 0, fmt.Errorf("circuit: room for %d voltages, need %d: make out longer", len(out), len(pairs)*groups)
	}
	if !ws.solved {
		return 0, errNotSolved
	}
	if !ws.net.zKnown {
		ws.impedances()
	}
	plain := groups == 1 && len(ws.plan.rows.ct) == 0
	for i := range pairs {
		if plain && ws.loadPlain(&pairs[i], &out[i]) {
			continue
		}
		gap, err := ws.loadPair(&pairs[i], out[i*groups:(i+1)*groups])
		if err != nil {
			return 0, fmt.Errorf("pair %d: %w", i, err)
		}
		gapVolt = max(gapVolt, gap)
	}
	return gapVolt, nil
}

// loadPlain is loadPair for the usual case, in line: two ports, no curve, one
// group, no current transformer, no digits lost. It returns false, having
// written nothing, in every other case.
func (ws *Workspace) loadPlain(l *Pair, out *Phasor) bool {
	p, t := ws.plan, &ws.net
	if uint(l.A) >= uint(len(p.slot)) || uint(l.B) >= uint(len(p.slot)) || l.Curve != nil {
		return false
	}
	a, b := int(p.slot[l.A]), int(p.slot[l.B])
	rowA, rowB := t.z[a*(t.ports+1):], t.z[b*(t.ports+1):]
	aa, ab, bb := &rowA[a], &rowA[b], &rowB[b]
	zr := aa.Re - ab.Re + (bb.Re - ab.Re)
	zi := aa.Im - ab.Im + (bb.Im - ab.Im)
	yr, yi := l.Y.Re, l.Y.Im
	dr := float64(zr*yr) - float64(zi*yi) + 1
	di := float64(zr*yi) + float64(zi*yr)
	size := math.Abs(yr) + math.Abs(yi)
	larger := t.size[a]
	if t.size[b] > larger {
		larger = t.size[b]
	}
	lost := float64(float64(lostDigits*larger) * size)
	if !(yr >= 0 && size <= maxSiemens && math.Abs(dr)+math.Abs(di) >= lost) {
		return false
	}
	d := 1 / (float64(dr*dr) + float64(di*di))
	ir, ii := float64(dr*d), -float64(di*d)
	va, vb := &ws.v[p.ports[l.A]], &ws.v[p.ports[l.B]]
	vr, vi := va.Re-vb.Re, va.Im-vb.Im
	*out = Phasor{float64(vr*ir) - float64(vi*ii), float64(vr*ii) + float64(vi*ir)}
	return true
}

func (ws *Workspace) loadPair(l *Pair, out []Phasor) (gap float64, err error) {
	pa, sa, err := ws.plan.site(l.A)
	if err != nil {
		return 0, err
	}
	pb, sb, err := ws.plan.site(l.B)
	if err != nil {
		return 0, err
	}
	through := ws.net.across(sa, sb)
	if l.Curve == nil {
		if err := checkAdmittance(l.Y); err != nil {
			return 0, err
		}
		return 0, ws.loadOnce(pa, pb, sa, sb, through, l.Y, out)
	}
	var s settler
	s.begin(ws.RMS(pa, pb))
	for range curveSteps {
		y := l.Curve(s.v)
		if err := checkAdmittance(y); err != nil {
			return 0, err
		}
		if err := ws.loadOnce(pa, pb, sa, sb, through, y, out); err != nil {
			return 0, err
		}
		s.step(rms(out))
	}
	return s.gap, nil
}

func rms(groups []Phasor) float64 {
	sum := 0.0
	for _, v := range groups {
		sum += v.abs2()
	}
	return math.Sqrt(sum)
}

// lostDigits is how small an impedance may be beside those it was found from
// as a difference. Below, the pair is solved by elimination.
const lostDigits = 1e-6

func (ws *Workspace) loadOnce(pa, pb, sa, sb int, through, y Phasor, out []Phasor) error {
	p := ws.plan
	den := through.Times(y)
	den.Re++
	size := max(ws.net.size[sa], ws.net.size[sb])
	if den.norm1() < lostDigits*size*y.norm1() {
		return ws.loadExactly(pa, pb, y, out)
	}
	inv := den.inverse()
	for g := range out {
		v := ws.v[g*p.sites:]
		out[g] = v[pa].Minus(v[pb]).Times(inv)
	}
	if len(p.rows.ct) > 0 {
		ws.drive(pa, pb, sa, sb, y, inv, out)
	}
	return nil
}

// drive adds what the load changes through the current transformers.
func (ws *Workspace) drive(pa, pb, sa, sb int, y, inv Phasor, out []Phasor) {
	p := ws.plan
	z, stride := ws.net.z, ws.net.ports+1
	at := func(position int32) int { return min(int(position), p.n) - p.interior }
	for g := range out {
		first := ws.first[g*p.sites:]
		amp := first[pa].Minus(first[pb]).Times(inv).Times(y)
		for i := range p.rows.ct {
			c := &p.rows.ct[i]
			x, w := at(p.rows.ends[c.primary][0]), at(p.rows.ends[c.primary][1])
			// What the load's current takes off the voltage along the primary.
			fall := z[x*stride+sa].Minus(z[x*stride+sb]).Minus(z[w*stride+sa].Minus(z[w*stride+sb])).Times(amp)
			drop := ws.rowY[c.primary].Times(fall).Scaled(ws.ct[i])
			from, to := at(c.from), at(c.to)
			rise := z[sa*stride+to].Minus(z[sa*stride+from]).Minus(z[sb*stride+to].Minus(z[sb*stride+from]))
			out[g] = out[g].Minus(rise.Times(drop).Times(inv))
		}
	}
}

func (ws *Workspace) loadExactly(pa, pb int, y Phasor, out []Phasor) error {
	t := &ws.net
	t.single[0] = placed{a: pa, b: pb, y: y}
	if err := t.solve(ws, t.single[:]); err != nil {
		return err
	}
	for g := range out {
		v := t.v[g*ws.plan.sites:]
		out[g] = v[pa].Minus(v[pb])
	}
	return nil
}

// settler seeks the voltage v at which a thing of admittance y(v) has the
// voltage v across it. What is brought to zero is v/found(v) − 1: it is −1
// for no voltage, rises with v, and is a straight line if the admittance does
// not change. The root stays bracketed and each step is the Illinois variant
// of regula falsi (M. Dowell and P. Jarratt, BIT 11 (1971) 168–174), which
// copes with the steep curve of a glow lamp.
type settler struct {
	v, gap                   float64
	low, atLow, high, atHigh float64
	bounded                  bool // high has been found
	side                     int
}

// begin starts from the voltage without the thing, the most it can have
// unless it resonates with the circuit.
func (s *settler) begin(v float64) { *s = settler{v: v, atLow: -1} }

// step takes the voltage found with the admittance at s.v and moves s.v.
func (s *settler) step(found float64) {
	s.gap = math.Abs(found - s.v)
	if found == 0 {
		s.v = 0
		return
	}
	d := s.v/found - 1
	if d <= 0 {
		s.low, s.atLow = s.v, d
		if s.side < 0 {
			s.atHigh /= 2
		}
		s.side = -1
	} else {
		s.high, s.atHigh, s.bounded = s.v, d, true
		if s.side > 0 {
			s.atLow /= 2
		}
		s.side = 1
	}
	switch {
	case !s.bounded:
		s.v = found
	case s.atLow < s.atHigh:
		s.v = s.low - float64((s.high-s.low)*s.atLow)/(s.atHigh-s.atLow)
	}
}
