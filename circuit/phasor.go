package circuit

import "math"

// Phasor is one complex number: an r.m.s. voltage in volts, an r.m.s. current
// in amperes, an impedance in ohms or an admittance in siemens. The type
// complex128 is not used because its product may be compiled to fused
// instructions on some processors.
type Phasor struct{ Re, Im float64 }

// Abs returns the magnitude.
func (a Phasor) Abs() float64 { return math.Sqrt(a.abs2()) }

// Plus returns a + b.
func (a Phasor) Plus(b Phasor) Phasor { return Phasor{a.Re + b.Re, a.Im + b.Im} }

// Minus returns a − b.
func (a Phasor) Minus(b Phasor) Phasor { return Phasor{a.Re - b.Re, a.Im - b.Im} }

// Times returns a·b.
func (a Phasor) Times(b Phasor) Phasor {
	return Phasor{
		float64(a.Re*b.Re) - float64(a.Im*b.Im),
		float64(a.Re*b.Im) + float64(a.Im*b.Re),
	}
}

// Scaled returns a multiplied by the real number f.
func (a Phasor) Scaled(f float64) Phasor { return Phasor{float64(a.Re * f), float64(a.Im * f)} }

// Over returns a/b. Its parts are infinite or not a number if b is zero.
func (a Phasor) Over(b Phasor) Phasor { return a.Times(b.inverse()) }

func (a Phasor) abs2() float64 { return float64(a.Re*a.Re) + float64(a.Im*a.Im) }

// norm1 is the cheap size, between Abs and √2·Abs.
func (a Phasor) norm1() float64 { return math.Abs(a.Re) + math.Abs(a.Im) }

func (a Phasor) inverse() Phasor {
	d := 1 / a.abs2()
	return Phasor{float64(a.Re * d), -float64(a.Im * d)}
}

func (a Phasor) finite() bool {
	// x−x is zero for every finite x, and not a number otherwise.
	return a.Re-a.Re == 0 && a.Im-a.Im == 0
}
