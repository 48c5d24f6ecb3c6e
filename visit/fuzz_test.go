package visit

import (
	"bytes"
	"testing"

	"meterwright/instrument"
)

// FuzzBody holds that no body, however it is written, panics; and that a body
// that is read is written back the same, so that a hash means one thing.
func FuzzBody(f *testing.F) {
	for _, b := range []Body{
		Opened{Job: "J", MethodHash: "ab"}, TookUp{Instrument: Instrument{Kind: instrument.TwoPole, ID: "1", Due: "2027-01-01"}},
		Proved{Kind: instrument.TwoPole, ID: "1", Source: ProvingSource{Kind: instrument.ProvingUnit}, Shows: instrument.Show(instrument.Lit)},
		Observed{Step: "s", Shows: instrument.Show(instrument.Dark)}, Corrected{Event: "ab", Now: "lit", Why: "w"},
		Recorded{Step: "s", Entries: map[string]string{"a": "1"}}, Ended{Outcome: "completed"}, Defect{Owner: "distributor", Words: "w"},
	} {
		text, err := EncodeBody(b)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(KindOf(b)), text)
	}
	f.Add("observed", []byte(`{"step":"s","shows":"1e9 V"}`))
	f.Add("observed", []byte(`{"step":"s","step":"t"}`))
	for kind := range decoders {
		f.Add(string(kind), []byte(`{}`))
	}
	f.Add("no-such-kind", []byte(`{}`))
	m := plainMachine(f)
	f.Fuzz(func(t *testing.T, kind string, text []byte) {
		b, err := DecodeBody(Kind(kind), text)
		if err != nil {
			return
		}
		once, err := EncodeBody(b)
		if err != nil {
			return
		}
		c, err := DecodeBody(Kind(kind), once)
		if err != nil {
			t.Fatalf("what was written is not read: %v", err)
		}
		again, err := EncodeBody(c)
		if err != nil || !bytes.Equal(once, again) {
			t.Fatalf("%s is written back as %s (%v)", once, again, err)
		}
		v := Begin(m)
		v.Replay(Event{Hash: "1", Body: Opened{MethodHash: m.Hash}})
		v.Replay(Event{Hash: "2", Body: b})
		v.Next()
	})
}
