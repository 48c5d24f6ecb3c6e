package main

import (
	"errors"
	"fmt"

	"meterwright/instrument"
	"meterwright/internal/terminal"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/protection"
	"meterwright/rules"
)

type calcCommands struct {
	FaultCurrent calcFault     `cmd:"" help:"Prospective fault current of a loop, the voltage and the loop against their limits." exits:"0 pass|1 fail, or it makes no sense|2 the output cannot be written|3 doubtful"`
	Fuse         calcFuse      `cmd:"" help:"Whether a fuse disconnects a fault within a time." exits:"0 pass|1 fail, or it makes no sense|2 the output cannot be written|3 doubtful"`
	Adiabatic    calcAdiabatic `cmd:"" help:"Whether a protective conductor withstands a fault (BS 7671 543.1.3)." exits:"0 pass|1 fail, or it makes no sense|2 the output cannot be written|3 doubtful"`
	LoadCheck    calcLoad      `cmd:"" help:"Power from counted pulses, and its agreement with a reference." exits:"0 reckoned, and it agrees|1 it does not agree, or makes no sense|2 the output cannot be written|3 doubtful"`
	MeterPoint   calcPoint     `cmd:"" help:"Check a meter-point number, or reckon its check digit." exits:"0 the digit agrees|1 it does not|2 the output cannot be written"`
}

// reckoned shows a result with its marks, and turns the worst of its verdicts into an exit.
func (s *streams) reckoned(result any, checks []protection.Check, text func(*terminal.Text)) error {
	code := exitGood
	for _, c := range checks {
		switch c.Verdict {
		case measure.Fail:
			code = worst(code, exitBad)
		case measure.Doubtful:
			code = worst(code, exitUndecided)
		}
	}
	return s.conclude(code, result, func(t *terminal.Text) {
		text(t)
		t.Put(0, "marks")
		t.Caution()
	})
}

// estimate reads a reading with the accuracy that its kind of instrument is taken to have.
func estimate(flag, text string, kind instrument.Kind) (measure.Estimate, error) {
	d, err := decimal(flag, text)
	return kind.Accuracy().Estimate(d), err
}

func decimal(flag, text string) (measure.Decimal, error) {
	d, err := measure.ParseDecimal(text)
	if err != nil {
		return d, usage(fmt.Errorf("--%s: %w", flag, err), "")
	}
	return d, nil
}

// loop is a fault loop as read.
type loop struct {
	Volts string `help:"The voltage as read, with all its digits." required:""`
	Ohms  string `help:"The loop impedance as read, with all its digits." required:""`
}

func (l *loop) read() (protection.Loop, error) {
	v, err := estimate("volts", l.Volts, instrument.Voltmeter)
	if err != nil {
		return protection.Loop{}, err
	}
	z, err := estimate("ohms", l.Ohms, instrument.LoopTester)
	return protection.Loop{Volts: v, Ohms: z}, err
}

type calcFault struct {
	loop
	Arrangement string `help:"TN-S, TN-C-S or TT: judge the loop against the declared maximum." placeholder:"KIND"`
	asJSON
}

func (c *calcFault) Run(s *streams) error {
	l, err := c.read()
	if err != nil {
		return err
	}
	p := rules.GB()
	current, err := protection.FaultCurrent(p, l, protection.Terms{})
	if err != nil {
		return err
	}
	var checks []protection.Check
	add := func(k protection.Check, e error) {
		if err == nil {
			err = e
		}
		checks = append(checks, k)
	}
	add(protection.CheckVoltage(p, l.Volts, measure.DefaultGuard))
	if c.Arrangement != "" {
		add(protection.CheckExternalLoop(p, c.Arrangement, l.Ohms, measure.DefaultGuard))
	}
	add(protection.CheckDeclaredFault(p, l, protection.Terms{Basis: protection.Highest}, measure.DefaultGuard))
	if err != nil {
		return err
	}
	return s.reckoned(struct {
		Current protection.Current `json:"current"`
		Checks  []protection.Check `json:"checks"`
	}{current, checks}, checks, func(t *terminal.Text) {
		t.Current(current)
		t.Checks(checks)
		t.Put(0, "terminal.calc.accuracy")
	})
}

type calcFuse struct {
	loop
	Standard string  `help:"bs-88-2-gg, bs-88-3 or bs-1361-ii." required:""`
	Rating   float64 `help:"Rating in amperes." required:""`
	Seconds  float64 `help:"Time within which it must disconnect." default:"5"`
	Hot      bool    `help:"Reckon with conductors at working temperature." default:"true" negatable:""`
	asJSON
}

func (c *calcFuse) Run(s *streams) error {
	l, err := c.read()
	if err != nil {
		return err
	}
	f, err := protection.FuseDisconnects(rules.GB(), c.Standard, c.Rating, c.Seconds, l, protection.Terms{Basis: protection.Lowest, Hot: c.Hot}, measure.DefaultGuard)
	if err != nil {
		return err
	}
	return s.reckoned(f, []protection.Check{{Judgement: f.Judgement}}, func(t *terminal.Text) {
		t.Fuse(f)
		t.Put(0, "terminal.calc.accuracy")
	})
}

type calcAdiabatic struct {
	Conductor string  `help:"cu-pvc-in-cable or cu-pvc-separate." required:""`
	MM2       float64 `help:"Cross-section in square millimetres." required:"" name:"mm2"`
	Amps      string  `help:"Fault current in amperes." required:""`
	Within    float64 `help:"Standard uncertainty of the current, in per cent." default:"0"`
	Seconds   float64 `help:"Time until disconnection, up to 5." required:""`
	asJSON
}

func (c *calcAdiabatic) Run(s *streams) error {
	amps, err := decimal("amps", c.Amps)
	if err != nil {
		return err
	}
	k, err := protection.CheckConductor(rules.GB(), c.Conductor, c.MM2, measure.Estimate{Value: amps.Float(), U: amps.Float() * c.Within / 100}, c.Seconds, measure.DefaultGuard)
	if err != nil {
		return err
	}
	checks := []protection.Check{k}
	return s.reckoned(struct {
		Checks []protection.Check `json:"checks"`
	}{checks}, checks, func(t *terminal.Text) { t.Checks(checks) })
}

type calcLoad struct {
	Pulses      int     `help:"Pulses counted, from one to another." required:""`
	Seconds     string  `help:"Time of the count." required:""`
	Constant    float64 `help:"Meter constant in pulses per kWh." required:""`
	Ratio       float64 `help:"Current-transformer ratio, 1 for a whole-current meter." default:"1"`
	Window      bool    `help:"The time began anywhere, so that the count may be one out."`
	Timing      float64 `help:"Standard uncertainty of the timing, in seconds." default:"0.2"`
	Volts       string  `help:"Reference voltage as read."`
	Amps        string  `help:"Reference current as read."`
	PowerFactor float64 `help:"Power factor of the reference; 1 only for a load known to be resistive." default:"1"`
	Tolerance   float64 `help:"Agreement asked for, in per cent; the method states it." default:"5"`
	asJSON
}

func (c *calcLoad) Run(s *streams) error {
	sec, err := decimal("seconds", c.Seconds)
	if err != nil {
		return err
	}
	l := metering.TimedLoad{Pulses: c.Pulses, Seconds: measure.Estimate{Value: sec.Float(), U: c.Timing}, Constant: c.Constant, Ratio: c.Ratio}
	if c.Window {
		l.Count = metering.FreeWindow
	}
	power, err := l.Power()
	if err != nil {
		return err
	}
	var compared *metering.Comparison
	var checks []protection.Check
	if (c.Volts == "") != (c.Amps == "") {
		return usage(errors.New("a reference needs both --volts and --amps"), "")
	}
	if c.Volts != "" {
		if compared, err = c.compare(l); err != nil {
			return err
		}
		checks = append(checks, protection.Check{Judgement: compared.Agreement})
	}
	return s.reckoned(struct {
		Watts    measure.Estimate     `json:"watts"`
		Compared *metering.Comparison `json:"compared,omitempty"`
		Note     string               `json:"note"`
	}{power, compared, metering.NotTypeLimits}, checks, func(t *terminal.Text) { t.Load(power, compared, c.Tolerance) })
}

func (c *calcLoad) compare(l metering.TimedLoad) (*metering.Comparison, error) {
	v, err := estimate("volts", c.Volts, instrument.Voltmeter)
	if err != nil {
		return nil, err
	}
	a, err := estimate("amps", c.Amps, instrument.Clamp)
	if err != nil {
		return nil, err
	}
	got, err := metering.Compare(l, metering.Reference{Volts: v, Amps: a, PowerFactor: measure.Estimate{Value: c.PowerFactor}}, c.Tolerance, measure.DefaultGuard)
	return &got, err
}

type calcPoint struct {
	Number string `arg:"" help:"The number, with or without spaces."`
	Core   bool   `help:"The number lacks its check digit: reckon it."`
	asJSON
}

func (c *calcPoint) Run(s *streams) error {
	format := rules.GB().MeterPoint
	number := c.Number
	if c.Core {
		digit, err := metering.CheckDigit(format, number)
		if err != nil {
			return err
		}
		number += fmt.Sprint(digit)
	}
	point, err := metering.ParseMeterPoint(format, number)
	if err != nil {
		return err
	}
	return s.show(struct {
		Number string        `json:"number"`
		Digits string        `json:"digits"`
		Rule   rules.Numbers `json:"weights"`
	}{point.String(), point.Digits(), format.Weights}, func(t *terminal.Text) {
		t.Put(0, "terminal.calc.digit", "point", point)
		t.Put(0, "terminal.calc.weights", "mark", string(format.Weights.Mark), "source", format.Weights.Source)
	})
}
