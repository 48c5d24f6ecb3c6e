package measure_test

import (
	"fmt"

	"meterwright/measure"
)

// A loop impedance as it was read: its digits say to what it was read.
func ExampleReading() {
	r := measure.Reading{Value: measure.MustDecimal("0.30"), Unit: measure.Ohm}
	fmt.Println(r, "read to", r.Value.Resolution())
	// Output: 0.30 Ω read to 0.01
}

// A reading within its limit need not keep it in fact: 0.34 Ω is nearer to 0.35 Ω than this invented
// instrument is accurate (3 % of the reading and 5 digits).
func ExampleJudge() {
	a := measure.Accuracy{RelativePct: 3, Digits: 5}
	for _, text := range []string{"0.20", "0.34", "0.55"} {
		d, err := measure.ParseDecimal(text)
		if err != nil {
			fmt.Println(err)
			return
		}
		j, err := measure.Judge(d.Float(), a.StandardUncertainty(d), measure.AtMost(0.35), measure.DefaultGuard)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%s Ω: %s\n", text, j.Verdict)
	}
	// Output:
	// 0.20 Ω: pass
	// 0.34 Ω: doubtful
	// 0.55 Ω: fail
}
