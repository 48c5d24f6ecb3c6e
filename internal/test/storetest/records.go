package storetest

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

// Visit returns the id of test visit n. All of them are invented.
func Visit(n int) string {
	return fmt.Sprintf("019ab3f0-%04x-7a10-8b20-%012x", n>>16&0xffff, n)
}

// PrivateKey returns a fixed key: its seed is the SHA-256 of a name.
func PrivateKey(name string) record.PrivateKey {
	seed := sha256.Sum256([]byte("meterwright store test key " + name))
	return record.PrivateKey(ed25519.NewKeyFromSeed(seed[:]))
}

// Key is the public half of PrivateKey.
func Key(name string) record.Key {
	k, err := record.KeyOf(PrivateKey(name).Public())
	if err != nil {
		panic(err) // the name of the key was chosen badly: one in 2^250
	}
	return k
}

// start is the wall clock of the first line of test records; fictional.
var start = time.Date(2026, 3, 2, 9, 15, 0, 0, time.FixedZone("", 3600))

// A Device writes one chain of a visit in a test.
type Device struct {
	tb     testing.TB
	signer record.PrivateKey
	Chain  record.Chain
	Lines  [][]byte // that it wrote itself
	path   [][]byte // from the first line of the chain on
}

// NewDevice begins an empty chain of a device whose key has the given name.
func NewDevice(tb testing.TB, visit string, nature record.Nature, key string) *Device {
	tb.Helper()
	c, err := record.NewChain(visit, nature, Key(key))
	if err != nil {
		tb.Fatal(err)
	}
	return &Device{tb: tb, signer: PrivateKey(key), Chain: c}
}

// Add writes one line and returns the device.
func (d *Device) Add(kind, body string) *Device {
	d.tb.Helper()
	ms := 1500 * d.Chain.Next
	next, line, _, err := d.Chain.Append(context.Background(), d.signer, record.Draft{
		Kind: kind, Person: "person-7", Boot: "boot-1", Body: jsontext.Value(body),
		Mono: 4000 + ms, Wall: start.Add(time.Duration(ms) * time.Millisecond),
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

// TakeOver writes a hand-over from another device.
func (d *Device) TakeOver(other *Device) *Device {
	return d.Add(record.KindTakenOver, fmt.Sprintf(`{"chain":"%s","head":"%s"}`, other.Chain.Key, other.Chain.Head))
}

// From returns a device with the same key that goes on after the first n lines, as a restored
// backup does. Its Lines are only those that it writes itself.
func (d *Device) From(n int) *Device {
	d.tb.Helper()
	c := record.Chain{Visit: d.Chain.Visit, Nature: d.Chain.Nature, Key: d.Chain.Key}
	for _, line := range d.path[:n] {
		next, _, err := c.Accept(line)
		if err != nil {
			d.tb.Fatal(err)
		}
		c = next
	}
	return &Device{tb: d.tb, signer: d.signer, Chain: c, path: slices.Clone(d.path[:n])}
}

// Break makes the device write, next, what the rules forbid: it takes an ended chain for open
// or an open one for ended.
func (d *Device) Break() *Device {
	d.Chain.Ended = !d.Chain.Ended
	return d
}

// altered returns a line with its person changed after signing.
func altered(line []byte) []byte {
	return bytes.Replace(slices.Clone(line), []byte(`"person":"person-7"`), []byte(`"person":"person-8"`), 1)
}

// Whole returns the lines of one ordinary visit: opened, n-2 observations, ended.
func Whole(tb testing.TB, visit, key string, n int) [][]byte {
	tb.Helper()
	return NewDevice(tb, visit, record.Real, key).Open().Observe(n-2, "").End().Lines
}
