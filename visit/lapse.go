package visit

import "time"

// Lapse is a proof that holds, with the time at which it comes to nothing if nothing happens before.
type Lapse struct {
	Proof string
	At    time.Time
}

// Lapses lists the proofs that hold for a limited time, in the method's order, so that a page can say
// when one lapses before the next event shows it.
func (v *Visit) Lapses() []Lapse {
	var list []Lapse
	for i, p := range v.machine.Method.Proofs {
		x := &v.now.control.proofs[i]
		if x.phase == proofHeld && v.machine.proofs[i].lastsMS > 0 {
			list = append(list, Lapse{p.ID, v.account.Last.Add(time.Duration(x.leftMS) * time.Millisecond)})
		}
	}
	return list
}
