package diagnose

import (
	"math"

	"meterwright/instrument"
	"meterwright/site"
)

// unknowns is what a visit does not tell: the model's parameters, some for the
// whole visit, some anew in each switching epoch, and the traits of instruments.
type unknowns struct {
	params []param
	traits []trait
	lights map[lightKey]threshold
	// rough holds the values of each epoch in the draws that are shared by every rough
	// trial, and roughTraits those of the traits.
	rough       map[int][]site.Values
	roughTraits [][]float64
	scales      []float64 // of the supply, for rough trials
	// many holds the values of each epoch in draws for fine trials, before anything is
	// known, and manyTraits those of the traits.
	many       map[int][]site.Values
	manyTraits [][]float64
	steps      []float64 // of the rough draws
	// usual holds what is stated of the position, and the usual values of the rest.
	usual site.Values
}

// param is a parameter with what a draw of it needs.
type param struct {
	site.Parameter
	ratio float64 // logarithm of high over low, where it spreads over the logarithm
}

// trait is a quantity of an instrument that its readings depend on smoothly.
type trait struct {
	instrument.Trait
	ratio float64
}

type lightKey struct {
	kind          instrument.Kind
	onePole, weak bool
}

// one is the only scale of a world whose own supply is drawn.
var one = []float64{1}

func newUnknowns(stated []site.Stated) unknowns {
	u := unknowns{rough: map[int][]site.Values{}, many: map[int][]site.Values{}, lights: map[lightKey]threshold{}}
	for i, p := range site.Parameters() {
		for _, known := range stated {
			if known.ID == p.ID {
				low, high := p.Possible()
				p.Usual, p.Low, p.High = known.Value, max(low, known.Value-known.Within), min(high, known.Value+known.Within)
			}
		}
		q := param{Parameter: p}
		if p.Log {
			q.ratio = log(p.High / p.Low)
		}
		u.params, u.usual[i] = append(u.params, q), p.Usual
	}
	for _, t := range instrument.AllTraits() {
		if t.Unit != "V" {
			u.traits = append(u.traits, trait{t, log(t.High / t.Low)})
			continue
		}
		var is instrument.Traits
		t.Set(&is, t.Usual)
		onePole := is.OnePoleVolt > 0
		u.lights[lightKey{t.Kind, onePole, false}] = threshold{t.Low, log(t.High / t.Low)}
		u.lights[lightKey{t.Kind, onePole, true}] = threshold{float64(2 * t.Low), log(t.High / t.Low)}
	}
	u.steps = roots(2*len(u.params) + len(u.traits))
	v := &u.params[site.SupplyVolt]
	for q := range supplies {
		u.scales = append(u.scales, float64(v.at((float64(q)+0.5)/supplies)/v.Usual))
	}
	u.roughTraits = u.drawTraits(roughDraws, func(d, i int) float64 { return u.share(d+1, 2*len(u.params)+i) })
	u.manyTraits = u.drawTraits(manyDraws, func(d, i int) float64 { return hashed(d, traitColumn+i) })
	return u
}

// drawTraits gives each of n draws its traits, from the shares of their ranges.
func (u *unknowns) drawTraits(n int, share func(draw, trait int) float64) [][]float64 {
	list := make([][]float64, n)
	for d := range list {
		list[d] = make([]float64, len(u.traits))
		for i := range u.traits {
			list[d][i] = u.traits[i].at(share(d, i))
		}
	}
	return list
}

// prior returns the values of every fine draw in an epoch, before anything is known.
func (u *unknowns) prior(n int) []site.Values {
	if list, ok := u.many[n]; ok {
		return list
	}
	list := make([]site.Values, manyDraws)
	for d := range list {
		for i := range u.params {
			p := &u.params[i]
			epoch := -1
			if p.Epoch == site.PerSwitching {
				epoch = n
			}
			list[d][i] = p.at(hashed(d, column(p.ID, epoch)))
		}
	}
	u.many[n] = list
	return list
}

// traitColumn is where the traits stand in the table of fixed random numbers.
const traitColumn = 900

// column is where a parameter stands in it, in an epoch, for the visit where that is
// below zero.
func column(p site.ParamID, epoch int) int { return 1000*(epoch+2) + int(p) }

// share is the n-th number of the sequence of a dimension, from 0 to 1.
func (u *unknowns) share(n, dim int) float64 {
	x := float64(float64(n) * u.steps[dim])
	return x - math.Floor(x)
}

// at is the value that a share of the range stands for.
func (p *param) at(share float64) float64 {
	if p.ratio > 0 {
		return float64(p.Low * exp(float64(share*p.ratio)))
	}
	return p.Low + float64(share*(p.High-p.Low))
}

// shareOf is the inverse of at.
func (p *param) shareOf(v float64) float64 {
	switch {
	case p.ratio > 0:
		return log(v/p.Low) / p.ratio
	case p.High > p.Low:
		return (v - p.Low) / (p.High - p.Low)
	}
	return 0.5
}

func (t *trait) at(share float64) float64 { return float64(t.Low * exp(float64(share*t.ratio))) }

func (t *trait) shareOf(v float64) float64 { return log(v/t.Low) / t.ratio }

// fixed reports whether a parameter is known.
func (p *param) fixed() bool { return p.Low == p.High }

// epoch returns the values of every rough draw in an epoch. What lasts for the
// visit is the same in every epoch; loads are drawn anew. The supply is at its usual
// voltage, since rough trials scale it.
func (u *unknowns) epoch(n int) []site.Values {
	if list, ok := u.rough[n]; ok {
		return list
	}
	list := make([]site.Values, roughDraws)
	for d := range list {
		for i := range u.params {
			p := &u.params[i]
			if p.Epoch == site.PerSwitching {
				list[d][i] = p.at(u.share(d+1+n*roughDraws, i+len(u.params)))
			} else {
				list[d][i] = p.at(u.share(d+1, i))
			}
		}
		list[d][site.SupplyVolt] = u.params[site.SupplyVolt].Usual
	}
	u.rough[n] = list
	return list
}

// build gives an instrument the traits of a row, but for the voltages from which it
// lights: those the likelihood spreads over their range.
func (u *unknowns) build(in *instrument.Instrument, row []float64) {
	for i := range u.traits {
		if t := &u.traits[i]; t.Kind == in.Kind {
			t.Set(&in.Traits, row[i])
		}
	}
}

// hashed is a number from 0 to 1 for a place in a table of fixed random numbers
// (the finaliser of SplitMix64: Steele, Lea and Flood, OOPSLA 2014, from memory).
func hashed(row, column int) float64 {
	x := uint64(row+1)*0x9e3779b97f4a7c15 + uint64(column+1)*0xd1342543de82ef95
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	x ^= x >> 31
	return (float64(x>>11) + 0.5) / (1 << 53)
}
