// Package chains writes signed chains of made-up visits, for the tests of whatever keeps lines.
package chains

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json/jsontext"
	"fmt"
	"slices"
	"testing"
	"time"

	"meterwright/record"
)

// Visit returns the id of test visit n.
func Visit(n int) string {
	return fmt.Sprintf("019ab3f0-%04x-7a10-8b20-%012x", n>>16&0xffff, n)
}

// signer is fixed: its seed is the SHA-256 of a name.
func signer(name string) record.PrivateKey {
	seed := sha256.Sum256([]byte("meterwright store test key " + name))
	return record.PrivateKey(ed25519.NewKeyFromSeed(seed[:]))
}

// Key is that of the device with a name.
func Key(name string) record.Key {
	k, err := record.KeyOf(signer(name).Public())
	if err != nil {
		panic(err) // the name was chosen badly: one in 2^250
	}
	return k
}

// Start is the wall clock of every first line.
var Start = time.Date(2026, 3, 2, 9, 15, 0, 0, time.FixedZone("", 3600))

// A Device writes one chain of a visit.
type Device struct {
	tb    testing.TB
	name  string
	Chain record.Chain
	Lines [][]byte // that it wrote itself
	path  [][]byte // from the first line of the chain on
}

// NewDevice begins an empty chain.
func NewDevice(tb testing.TB, visit string, nature record.Nature, name string) *Device {
	tb.Helper()
	c, err := record.NewChain(visit, nature, Key(name))
	if err != nil {
		tb.Fatal(err)
	}
	return &Device{tb: tb, name: name, Chain: c}
}

// Add writes one line and returns the device.
func (d *Device) Add(kind, body string) *Device {
	d.tb.Helper()
	ms := 1500 * d.Chain.Next
	next, line, _, err := d.Chain.Append(context.Background(), signer(d.name), record.Draft{
		Kind: kind, Person: "person-7", Boot: "boot-1", Body: jsontext.Value(body),
		Mono: 4000 + ms, Wall: Start.Add(time.Duration(ms) * time.Millisecond),
	})
	if err != nil {
		d.tb.Fatal(err)
	}
	d.Chain, d.Lines, d.path = next, append(d.Lines, line), append(d.path, line)
	return d
}

// Open writes the first line of a visit.
func (d *Device) Open() *Device { return d.Add(record.KindOpened, `{"job":"J-1"}`) }

// Observe writes n ordinary lines. The text makes them differ from those of another version.
func (d *Device) Observe(n int, text string) *Device {
	for range n {
		d.Add("observed", fmt.Sprintf(`{"at":"meter.l-in","note":%q,"reading":{"unit":"V","value":"%d.%d"},"reference":"meter.n-in"}`, text, 228+d.Chain.Next%7, d.Chain.Next%10))
	}
	return d
}

// End writes the end of the visit.
func (d *Device) End() *Device { return d.Add(record.KindEnded, `{"outcome":"done"}`) }

// From returns a device with the same key that goes on after the first n lines, as a restored
// backup does. Its Lines are only those that it writes itself.
func (d *Device) From(n int) *Device {
	d.tb.Helper()
	back := NewDevice(d.tb, d.Chain.Visit, d.Chain.Nature, d.name)
	back.path = slices.Clone(d.path[:n])
	for _, line := range back.path {
		var err error
		if back.Chain, _, err = back.Chain.Accept(line); err != nil {
			d.tb.Fatal(err)
		}
	}
	return back
}

// Break makes the device write, next, what the rules forbid: it takes an ended chain for open
// or an open one for ended.
func (d *Device) Break() *Device {
	d.Chain.Ended = !d.Chain.Ended
	return d
}

// Whole returns the lines of one ordinary visit: opened, n-2 observations, ended.
func Whole(tb testing.TB, visit, name string, n int) [][]byte {
	tb.Helper()
	return NewDevice(tb, visit, record.Real, name).Open().Observe(n-2, "").End().Lines
}

// Container returns a text attachment with a fixed salt; a real one is random.
func Container(tb testing.TB, text string) (record.Reference, []byte) {
	tb.Helper()
	salt := sha256.Sum256([]byte("salt of " + text))
	a, err := record.NewAttachment(record.MediaText, []byte(text), bytes.NewReader(salt[:]))
	if err != nil {
		tb.Fatal(err)
	}
	return a.Reference(), a.Container()
}
