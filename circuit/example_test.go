package circuit_test

import (
	"fmt"

	"meterwright/circuit"
)

// A source of 230 V behind 1 Ω feeds 22 Ω: 10 A flow, and 220 V stand at the load (Ohm's law). A voltmeter
// of 220 Ω leaves 20 Ω of both together, and 230·20/21 = 219 V: it is put on, not built in.
func Example() {
	c := circuit.Circuit{
		FHz: 50, Nodes: []string{"load"},
		VoltageSources: []circuit.VoltageSource{{Name: "supply", Plus: "load", Minus: circuit.Earth, EReVolt: 230, ROhm: 1}},
		Impedances:     []circuit.Impedance{{Name: "heater", A: "load", B: circuit.Earth, ROhm: 22}},
	}
	plan, err := circuit.Compile(c, []string{"load"})
	if err != nil {
		fmt.Println(err)
		return
	}
	w := plan.NewWorkspace()
	if err := w.Solve(); err != nil {
		fmt.Println(err)
		return
	}
	load, _ := plan.Node("load")
	fmt.Printf("%.1f V, %.1f A\n", w.Voltage(load, 0).Abs(), w.ImpedanceCurrent(0, 0).Abs())
	with, err := w.Attach([]circuit.Attachment{{A: 0, B: circuit.EarthPort, Y: circuit.Phasor{Re: 1.0 / 220}}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f V with the voltmeter on\n", with.Voltage(load, 0).Abs())
	// Output:
	// 220.0 V, 10.0 A
	// 219.0 V with the voltmeter on
}
