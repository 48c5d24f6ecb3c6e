package main

import (
	"fmt"

	"meterwright/instrument"
	"meterwright/internal/tell"
	"meterwright/measure"
	"meterwright/metering"
	"meterwright/protection"
	"meterwright/rules"
)

type calcCommands struct {
	FaultCurrent calcFault     `cmd:"" help:"Prospective fault current of a loop, the voltage and the loop against their limits."`
	Fuse         calcFuse      `cmd:"" help:"Whether a fuse disconnects a fault within a time."`
	Adiabatic    calcAdiabatic `cmd:"" help:"Whether a protective conductor withstands a fault (BS 7671 543.1.3)."`
	LoadCheck    calcLoad      `cmd:"" help:"Power from counted pulses, and its agreement with a reference."`
	MeterPoint   calcPoint     `cmd:"" help:"Check a meter-point number, or reckon its check digit."`
}

// judged turns the worst of several verdicts into an exit: 0 pass, 1 fail, 3 doubtful.
func judged(checks []protection.Check) error {
	code := exitGood
	for _, c := range checks {
		switch c.Verdict {
		case measure.Fail:
			code = exitBad
		case measure.Doubtful:
			if code == exitGood {
				code = exitUndecided
			}
		}
	}
	if code != exitGood {
		return coded{code: code}
	}
	return nil
}

// estimate reads a reading with the accuracy that its kind of instrument is taken to have.
func estimate(flag, text string, kind instrument.Kind) (measure.Estimate, error) {
	d, err := measure.ParseDecimal(text)
	if err != nil {
		return measure.Estimate{}, coded{exitUsage, fmt.Errorf("--%s: %w", flag, err)}
	}
	return kind.Accuracy().Estimate(d), nil
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

const accuracyNote = "Uncertainties are those of common instruments [P]: voltmeter 1.5 % and 3 digits, loop tester 5 % and 0.03 Ω, and the last digit shown."

type calcFault struct {
	loop
	Arrangement string `help:"TN-S, TN-C-S or TT: judge the loop against the declared maximum." placeholder:"KIND"`
	JSON        bool   `help:"Write JSON."`
}

func (c *calcFault) Run(s *streams) error {
	l, err := c.read()
	if err != nil {
		return err
	}
	p := rules.GB()
	current, err := protection.FaultCurrent(p, l, protection.Terms{})
	if err != nil {
		return bad(err)
	}
	var checks []protection.Check
	add := func(k protection.Check, e error) {
		if err == nil {
			err = e
		}
		checks = append(checks, k)
	}
	k, e := protection.CheckVoltage(p, l.Volts, measure.DefaultGuard)
	add(k, e)
	if c.Arrangement != "" {
		k, e := protection.CheckExternalLoop(p, c.Arrangement, l.Ohms, measure.DefaultGuard)
		add(k, e)
	}
	k, e = protection.CheckDeclaredFault(p, l, protection.Terms{Basis: protection.Highest}, measure.DefaultGuard)
	add(k, e)
	if err != nil {
		return bad(err)
	}
	if c.JSON {
		if err := writeJSON(s.out, struct {
			Current protection.Current `json:"current"`
			Checks  []protection.Check `json:"checks"`
			Caution string             `json:"caution"`
		}{current, checks, tell.Caution}); err != nil {
			return err
		}
		return judged(checks)
	}
	t := tell.New(s.out)
	t.Current(current)
	t.Checks(checks)
	t.Line("%s", accuracyNote)
	t.Line("%s", tell.Marks)
	t.Caution()
	if err := wrote(t); err != nil {
		return err
	}
	return judged(checks)
}

type calcFuse struct {
	loop
	Standard string  `help:"bs-88-2-gg, bs-88-3 or bs-1361-ii." required:""`
	Rating   float64 `help:"Rating in amperes." required:""`
	Seconds  float64 `help:"Time within which it must disconnect." default:"5"`
	Hot      bool    `help:"Reckon with conductors at working temperature." default:"true" negatable:""`
	JSON     bool    `help:"Write JSON."`
}

func (c *calcFuse) Run(s *streams) error {
	l, err := c.read()
	if err != nil {
		return err
	}
	f, err := protection.FuseDisconnects(rules.GB(), c.Standard, c.Rating, c.Seconds, l, protection.Terms{Basis: protection.Lowest, Hot: c.Hot}, measure.DefaultGuard)
	if err != nil {
		return bad(err)
	}
	if c.JSON {
		if err := writeJSON(s.out, struct {
			protection.FuseCheck
			Caution string `json:"caution"`
		}{f, tell.Caution}); err != nil {
			return err
		}
	} else {
		t := tell.New(s.out)
		t.Fuse(f)
		t.Line("%s", accuracyNote)
		t.Line("%s", tell.Marks)
		t.Caution()
		if err := wrote(t); err != nil {
			return err
		}
	}
	return judged([]protection.Check{{Judgement: f.Judgement}})
}

type calcAdiabatic struct {
	Conductor string  `help:"cu-pvc-in-cable or cu-pvc-separate." required:""`
	MM2       float64 `help:"Cross-section in square millimetres." required:"" name:"mm2"`
	Amps      string  `help:"Fault current in amperes." required:""`
	Within    float64 `help:"Standard uncertainty of the current, in per cent." default:"0"`
	Seconds   float64 `help:"Time until disconnection, up to 5." required:""`
	JSON      bool    `help:"Write JSON."`
}

func (c *calcAdiabatic) Run(s *streams) error {
	amps, err := measure.ParseDecimal(c.Amps)
	if err != nil {
		return coded{exitUsage, fmt.Errorf("--amps: %w", err)}
	}
	k, err := protection.CheckConductor(rules.GB(), c.Conductor, c.MM2, measure.Estimate{Value: amps.Float(), U: amps.Float() * c.Within / 100}, c.Seconds, measure.DefaultGuard)
	if err != nil {
		return bad(err)
	}
	checks := []protection.Check{k}
	if c.JSON {
		if err := writeJSON(s.out, struct {
			Checks  []protection.Check `json:"checks"`
			Caution string             `json:"caution"`
		}{checks, tell.Caution}); err != nil {
			return err
		}
		return judged(checks)
	}
	t := tell.New(s.out)
	t.Checks(checks)
	t.Line("%s", tell.Marks)
	t.Caution()
	if err := wrote(t); err != nil {
		return err
	}
	return judged(checks)
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
	JSON        bool    `help:"Write JSON."`
}

func (c *calcLoad) Run(s *streams) error {
	sec, err := measure.ParseDecimal(c.Seconds)
	if err != nil {
		return coded{exitUsage, fmt.Errorf("--seconds: %w", err)}
	}
	l := metering.TimedLoad{Pulses: c.Pulses, Seconds: measure.Estimate{Value: sec.Float(), U: c.Timing}, Constant: c.Constant, Ratio: c.Ratio}
	if c.Window {
		l.Count = metering.FreeWindow
	}
	power, err := l.Power()
	if err != nil {
		return bad(err)
	}
	var compared *metering.Comparison
	if (c.Volts == "") != (c.Amps == "") {
		return coded{exitUsage, fmt.Errorf("a reference needs both --volts and --amps")}
	}
	if c.Volts != "" {
		if compared, err = c.compare(l); err != nil {
			return err
		}
	}
	if c.JSON {
		if err := writeJSON(s.out, struct {
			Watts    measure.Estimate     `json:"watts"`
			Compared *metering.Comparison `json:"compared,omitempty"`
			Note     string               `json:"note"`
			Caution  string               `json:"caution"`
		}{power, compared, metering.NotTypeLimits, tell.Caution}); err != nil {
			return err
		}
	} else {
		t := tell.New(s.out)
		t.Load(power, compared, c.Tolerance)
		t.Line("%s", tell.Marks)
		t.Caution()
		if err := wrote(t); err != nil {
			return err
		}
	}
	if compared == nil {
		return nil
	}
	return judged([]protection.Check{{Judgement: compared.Agreement}})
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
	if err != nil {
		return nil, bad(err)
	}
	return &got, nil
}

type calcPoint struct {
	Number string `arg:"" help:"The number, with or without spaces."`
	Core   bool   `help:"The number lacks its check digit: reckon it."`
	JSON   bool   `help:"Write JSON."`
}

func (c *calcPoint) Run(s *streams) error {
	format := rules.GB().MeterPoint
	number := c.Number
	if c.Core {
		digit, err := metering.CheckDigit(format, number)
		if err != nil {
			return bad(err)
		}
		number += fmt.Sprint(digit)
	}
	point, err := metering.ParseMeterPoint(format, number)
	if err != nil {
		return bad(err)
	}
	if c.JSON {
		return writeJSON(s.out, struct {
			Number string        `json:"number"`
			Digits string        `json:"digits"`
			Rule   rules.Numbers `json:"weights"`
		}{point.String(), point.Digits(), format.Weights})
	}
	t := tell.New(s.out)
	t.Line("%s: the check digit agrees", point)
	t.Line("Weights and moduli [%s: %s]", format.Weights.Mark, format.Weights.Source)
	return wrote(t)
}
