package diagnose

import (
	"math"
	"slices"

	"meterwright/instrument"
	"meterwright/site"
	"meterwright/world"
)

// dim is one unknown of a fit: a parameter in an epoch, for the visit where epoch is
// below zero, or a trait.
type dim struct {
	param site.ParamID
	epoch int
	trait int // below zero for a parameter
}

// fitted is an observation as a fit has it.
type fitted struct {
	g    gauge
	test int
}

// fitTest is a reading that a fit makes, once for all observations of it.
type fitTest struct {
	at     key
	in     instrument.Instrument
	points []site.PointID
}

// setting is the tests of one epoch in one state.
type setting struct {
	epoch int
	world *world.World
	tests []int
	// follows says which parameters the world follows from.
	follows [site.ParameterCount]bool
}

// fit looks for the unknowns under which a hypothesis explains the observations
// best. Each unknown is the logit x of the share u of its range, so that no step
// leaves the range; its density is u·(1−u).
type fit struct {
	e        *Engine
	h        *hypothesis
	dims     []dim
	epochs   []int
	settings []setting
	tests    []fitTest
	seen     []fitted
	provings float64
	signals  []signal
	// follows says which parameters any of its worlds follows from.
	follows [site.ParameterCount]bool
}

func (e *Engine) newFit(h *hypothesis) (*fit, error) {
	f := &fit{e: e, h: h}
	at := map[key]int{}
	for i := range e.seen {
		t := &e.seen[i]
		if t.Proving != "" {
			f.provings += log(e.proving(h, &t.Observation))
			continue
		}
		n, ok := at[t.at]
		if !ok {
			n = len(f.tests)
			at[t.at] = n
			f.tests = append(f.tests, fitTest{t.at, e.instrumentOf(h, t.Kind), t.Points})
			w, err := e.worldOf(h, t.at.state)
			if err != nil {
				return nil, err
			}
			k := slices.IndexFunc(f.settings, func(s setting) bool { return s.epoch == t.Epoch && s.world == w })
			if k < 0 {
				k = len(f.settings)
				f.settings = append(f.settings, setting{epoch: t.Epoch, world: w, follows: w.Follows()})
			}
			f.settings[k].tests = append(f.settings[k].tests, n)
			if !slices.Contains(f.epochs, t.Epoch) {
				f.epochs = append(f.epochs, t.Epoch)
			}
		}
		f.seen = append(f.seen, fitted{e.gaugeOf(f.tests[n].in, t), n})
	}
	if len(f.epochs) == 0 {
		f.epochs = []int{0}
	}
	// The order of the observations does not matter to what is drawn.
	slices.Sort(f.epochs)
	for i := range f.settings {
		for p, does := range f.settings[i].follows {
			f.follows[p] = f.follows[p] || does
		}
	}
	u := &e.unknowns
	for i := range u.params {
		p := &u.params[i]
		switch {
		case p.fixed():
		case p.Epoch == site.PerVisit:
			f.dims = append(f.dims, dim{p.ID, -1, -1})
		default:
			for _, n := range f.epochs {
				f.dims = append(f.dims, dim{p.ID, n, -1})
			}
		}
	}
	for i := range u.traits {
		kind := u.traits[i].Kind
		if slices.ContainsFunc(f.tests, func(t fitTest) bool { return t.in.Kind == kind }) {
			f.dims = append(f.dims, dim{-1, -1, i})
		}
	}
	f.signals = make([]signal, len(f.tests))
	return f, nil
}

// share is the share of a range that a logit stands for.
func share(x float64) float64 { return 1 / (1 + exp(-x)) }

func logit(u float64) float64 {
	u = min(max(u, 1e-5), 1-1e-5)
	return log(u / (1 - u))
}

// from returns the unknowns of one draw of a cloud.
func (f *fit) from(c *cloud, draw, scale int) []float64 {
	u := &f.e.unknowns
	x := make([]float64, len(f.dims))
	for j, d := range f.dims {
		switch {
		case d.trait >= 0:
			x[j] = logit(u.traits[d.trait].shareOf(c.traits[draw][d.trait]))
		default:
			epoch := d.epoch
			if epoch < 0 {
				epoch = c.first
			}
			v := f.e.epochOf(c, epoch)[draw][d.param]
			if d.param == site.SupplyVolt {
				v = float64(v * c.scales[scale])
			}
			x[j] = logit(u.params[d.param].shareOf(v))
		}
	}
	return x
}

// values returns the parameters of an epoch, and fills the traits.
func (f *fit) values(x []float64, epoch int, v *site.Values, traits []float64) {
	u := &f.e.unknowns
	for j, d := range f.dims {
		switch {
		case d.trait >= 0:
			traits[d.trait] = u.traits[d.trait].at(share(x[j]))
		case d.epoch < 0 || d.epoch == epoch:
			v[d.param] = u.params[d.param].at(share(x[j]))
		}
	}
}

// read fills the signals of every test, or of those that unknown only bears on where
// it is not below zero.
func (f *fit) read(x []float64, only int, out []signal) error {
	v := f.e.unknowns.usual
	traits := make([]float64, len(f.e.unknowns.traits))
	for i := range f.settings {
		s := &f.settings[i]
		if only >= 0 {
			d := f.dims[only]
			if d.epoch >= 0 && d.epoch != s.epoch || d.trait < 0 && !s.follows[d.param] {
				continue
			}
		}
		f.values(x, s.epoch, &v, traits)
		if err := f.readIn(s, &v, traits, only, out); err != nil {
			return err
		}
	}
	return nil
}

// readIn is read in one setting.
func (f *fit) readIn(s *setting, v *site.Values, traits []float64, only int, out []signal) error {
	u := &f.e.unknowns
	if err := s.world.Redraw(v); err != nil {
		return err
	}
	for _, n := range s.tests {
		t := &f.tests[n]
		in := t.in
		if only >= 0 && f.dims[only].trait >= 0 && u.traits[f.dims[only].trait].Kind != in.Kind {
			continue
		}
		u.build(&in, traits)
		r, err := s.world.Sense(in, t.points...)
		if err != nil {
			return err
		}
		out[n] = sensed(in, &r)
	}
	f.e.thought.work += 1 + len(s.tests)
	return nil
}

// loglik is the log-likelihood of the observations under signals.
func (f *fit) loglik(signals []signal) float64 {
	sum := f.provings
	for i := range f.seen {
		sum += log(f.seen[i].g.of(signals[f.seen[i].test], 1))
	}
	return sum
}

// logDensity is the density of a logit whose share is spread evenly.
func logDensity(x float64) float64 {
	a := math.Abs(x)
	l := log(1 + exp(-a))
	return -a - float64(2*l)
}

func (f *fit) logPrior(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += logDensity(v)
	}
	return sum
}
