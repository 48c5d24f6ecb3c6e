package record

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"math/big"
	"slices"
	"testing"
)

func hashOf(line []byte) string { return sum(line).String() }

// after makes a correctly chained and signed line that the chain would refuse to append.
func after(t testing.TB, d *device, kind, body string) []byte {
	t.Helper()
	return seal(t, d.signs, d.chain.encode(d.draft(kind, body), []byte(body), nil))
}

// newDeviceAnyhow makes a first line of any kind.
func newDeviceAnyhow(t testing.TB, kind string) []byte {
	t.Helper()
	return after(t, newDevice(t, testVisit, "one"), kind, "{}")
}

// plainSignature signs the digest without the prefix, as hex.
func plainSignature(p PrivateKey, bare []byte) []byte {
	digest := sha256.Sum256(bare)
	return hex.AppendEncode(nil, ed25519.Sign(ed25519.PrivateKey(p), digest[:]))
}

// addOrder adds the order of the group to the half S of a signature in hex: the equation
// still holds, but RFC 8032 section 5.1.7 asks for the smallest S.
func addOrder(t testing.TB, sig []byte) []byte {
	t.Helper()
	b := unhex(t, string(sig))
	s := slices.Clone(b[32:])
	slices.Reverse(s)
	order, _ := new(big.Int).SetString("27742317777372353535851937790883648493", 10)
	order.Add(order, new(big.Int).Lsh(big.NewInt(1), 252))
	order.Add(order, new(big.Int).SetBytes(s)).FillBytes(s)
	slices.Reverse(s)
	return hex.AppendEncode(nil, append(b[:32], s...))
}
