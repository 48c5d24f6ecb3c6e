package method

import (
	"meterwright/rules"
)

// Limits returns the limits that methods may name, taken from a country's rules.
// The names are the language's; docs/method-language.md explains each.
func Limits(p *rules.Pack) (Rules, error) {
	credibleVoltage := upper("what a position of this voltage can give", p.Supply.GreatestReading)
	credibleLoop := lower("what the transformer alone gives", p.Fault.LeastLoop)
	declared := lower("declared voltage band", p.Supply.MinimumVoltage)
	declared.Upper = p.Supply.MaximumVoltage.Value.String()
	r := Rules{Edition: p.Edition, Limits: map[string]Bounds{
		"declared-voltage":  credible(declared, credibleVoltage),
		"two-lines-voltage": credible(lower("voltage of two lines", p.Supply.LinesFrom), credibleVoltage),
		"touch-voltage":     upper("touch-voltage limit", p.Touch.Limit),
		"dead-voltage":      upper("most that may stand at a point taken for dead", p.Touch.DeadThreshold),
		"neutral-earth":     upper("most that is usual between neutral and earth at a socket", p.Touch.NeutralEarth),
		"no-load-current":   upper("most that may flow with every load off", p.OnSite.NoLoadCurrent),
		"load-current":      upper("most that a house can draw", p.OnSite.LoadCurrent),
		"joined-resistance": upper("most along one tail, probes and leads included", p.OnSite.JoinedResistance),
		"secondary-current": lower("least that shows a secondary to carry a current", p.OnSite.SecondaryCurrent),
		"shorted-current":   upper("most that may flow in a current circuit that is shorted", p.OnSite.ShortedCurrent),
		"loop-tt-electrode": credible(upper("loop with the consumer's electrode, above which it may not be stable", p.TT.UnstableAbove), credibleLoop),
		"loop-line-neutral": credible(upper("most that is usual for the loop of line and neutral", p.Fault.LineNeutralLoop), credibleLoop),
	}}
	for _, e := range []struct{ name, id, words string }{
		{"loop-tn-cs", "TN-C-S", "declared maximum external loop impedance, TN-C-S"},
		{"loop-tn-s", "TN-S", "declared maximum external loop impedance, TN-S"},
		{"loop-tt", "TT", "declared maximum external loop impedance, TT, without the consumer's electrode"},
	} {
		row, err := p.EarthingByID(e.id)
		if err != nil {
			return Rules{}, err
		}
		r.Limits[e.name] = credible(upper(e.words, row.MaxExternal), credibleLoop)
	}
	for name, b := range r.Limits {
		row, err := p.JudgingByID(name)
		if err != nil {
			return Rules{}, err
		}
		b.Doubt, b.Beyond = row.Doubt, row.Beyond
		r.Limits[name] = b
	}
	return r, nil
}

func upper(words string, n rules.Number) Bounds {
	return Bounds{Upper: n.Value.String(), Unit: string(n.Unit), Words: words, Mark: string(n.Mark), Source: n.Source}
}

func lower(words string, n rules.Number) Bounds {
	return Bounds{Lower: n.Value.String(), Unit: string(n.Unit), Words: words, Mark: string(n.Mark), Source: n.Source}
}

func credible(b, can Bounds) Bounds {
	b.Credible = &can
	return b
}
