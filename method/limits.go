package method

import (
	"meterwright/rules"
)

// Limits returns the limits that methods may name, taken from a country's rules.
// The names are the language's; docs/method-language.md explains each.
func Limits(p *rules.Pack) (Rules, error) {
	r := Rules{Edition: p.Edition, Limits: map[string]Bounds{}}
	upper := func(name, words string, n rules.Number) {
		r.Limits[name] = Bounds{Upper: n.Value.String(), Unit: string(n.Unit), Words: words, Mark: string(n.Mark), Source: n.Source}
	}
	low, high := p.Supply.MinimumVoltage, p.Supply.MaximumVoltage
	r.Limits["declared-voltage"] = Bounds{
		Lower: low.Value.String(), Upper: high.Value.String(), Unit: string(low.Unit),
		Words: "declared voltage band", Mark: string(low.Mark), Source: low.Source,
	}
	upper("touch-voltage", "touch-voltage limit", p.Touch.Limit)
	upper("dead-voltage", "most that may stand at a point taken for dead", p.Touch.DeadThreshold)
	upper("no-load-current", "most that may flow with every load off", p.OnSite.NoLoadCurrent)
	upper("joined-resistance", "most along one tail, probes and leads included", p.OnSite.JoinedResistance)
	for _, e := range []struct{ name, id, words string }{
		{"loop-tn-cs", "TN-C-S", "declared maximum external loop impedance, TN-C-S"},
		{"loop-tn-s", "TN-S", "declared maximum external loop impedance, TN-S"},
		{"loop-tt", "TT", "declared maximum external loop impedance, TT, without the consumer's electrode"},
	} {
		row, err := p.EarthingByID(e.id)
		if err != nil {
			return Rules{}, err
		}
		upper(e.name, e.words, row.MaxExternal)
	}
	upper("loop-tt-electrode", "loop with the consumer's electrode, above which it may not be stable", p.TT.UnstableAbove)
	return r, nil
}
