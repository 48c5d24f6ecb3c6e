// Package devicekey makes the Ed25519 keys with which a device signs records, and keeps them.
package devicekey

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"meterwright/internal/private"
	"meterwright/record"
)

// Fresh returns a new key that is kept nowhere.
func Fresh() (record.PrivateKey, error) {
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make a key: %w", err)
	}
	return record.PrivateKey(private), nil
}

// Demonstration returns the key of a device in a fictional visit. Whoever knows the seed has
// the key, so that its signatures prove nothing.
func Demonstration(seed, device string) record.PrivateKey {
	h := sha256.Sum256([]byte("meterwright demonstration key, proves nothing\n" + seed + "\n" + device))
	return record.PrivateKey(ed25519.NewKeyFromSeed(h[:]))
}

// maxFile bounds a key file in bytes; an Ed25519 key takes about 120.
const maxFile = 16 << 10

const blockType = "PRIVATE KEY"

// Load reads a key from a PKCS #8 PEM file. Where the file is missing it makes a key and
// writes the file, readable by its owner alone. A file that others can read is closed to them;
// where that cannot be done, the key is refused with an error that wraps private.ErrOpen, since
// whoever has read it can sign as this device.
func Load(path string) (record.PrivateKey, error) {
	if err := private.Close(path); err != nil {
		return nil, fmt.Errorf("key: %w", err)
	}
	b, err := read(path)
	if errors.Is(err, fs.ErrNotExist) {
		return create(path)
	}
	if err != nil {
		return nil, fmt.Errorf("key: %w", err)
	}
	block, rest := pem.Decode(b)
	if block == nil || block.Type != blockType || len(bytes.TrimSpace(rest)) > 0 {
		return nil, fmt.Errorf("key: %s is not one PEM block of type %q: make a key by naming a file that is not there yet", path, blockType)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("key: %s: %w", path, err)
	}
	private, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("key: %s holds another kind of key: records are signed with Ed25519", path)
	}
	return record.PrivateKey(private), nil
}

func read(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err == nil && len(b) > maxFile {
		err = fmt.Errorf("%s is too large for a key", path)
	}
	return b, errors.Join(err, f.Close())
}

func create(path string) (record.PrivateKey, error) {
	key, err := Fresh()
	if err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(ed25519.PrivateKey(key))
	if err != nil {
		return nil, fmt.Errorf("key: %w", err)
	}
	if err := private.Write(path, pem.EncodeToMemory(&pem.Block{Type: blockType, Bytes: der})); err != nil {
		return nil, fmt.Errorf("key: %w", err)
	}
	return key, nil
}
