package record

import (
	"context"
	"crypto/ed25519"
	"fmt"
)

// signaturePrefix stands before the digest in the signed message, so that a signature over
// an event can never pass for a signature over anything else.
const signaturePrefix = "meterwright/event/1\n"

// A Signer holds a device's private key. Keys in a browser answer asynchronously, which is
// why signing takes a context and may fail.
type Signer interface {
	// Public returns the device's public key.
	Public() ed25519.PublicKey
	// Sign returns the 64-byte Ed25519 signature (RFC 8032, pure Ed25519 without context)
	// over exactly the given message. The message is complete, the prefix included: a
	// signer adds nothing and hashes nothing beforehand. It must not keep the slice.
	Sign(ctx context.Context, message []byte) ([]byte, error)
}

// PrivateKey is a Signer whose key is in memory.
type PrivateKey ed25519.PrivateKey

// Public returns the public half.
func (p PrivateKey) Public() ed25519.PublicKey {
	if len(p) != ed25519.PrivateKeySize {
		return nil
	}
	return ed25519.PrivateKey(p).Public().(ed25519.PublicKey)
}

// Sign signs the message. It fails on a key of the wrong length and once ctx is done.
func (p PrivateKey) Sign(ctx context.Context, message []byte) ([]byte, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(p) != ed25519.PrivateKeySize {
		return nil, fmt.Errorf("private key has %d bytes, not %d", len(p), ed25519.PrivateKeySize)
	}
	return ed25519.Sign(ed25519.PrivateKey(p), message), nil
}

// signedMessage returns what a signature covers: the prefix, then the 32 raw bytes of the
// SHA-256 of the line without its field "sig".
func signedMessage(digest Hash) []byte {
	return append([]byte(signaturePrefix), digest[:]...)
}
