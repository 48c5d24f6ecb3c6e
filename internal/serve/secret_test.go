package serve

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestSecretsAreTheirOwners: keys and the secret are closed to others, also where they were left open,
// and a folder that others can write in is said.
func TestSecretsAreTheirOwners(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	var said bytes.Buffer
	var secret []byte
	for round := range 2 {
		s, err := Open(t.Context(), Config{Data: dir, Log: slog.New(slog.NewTextHandler(&said, nil))})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(dir, "secret"))
		if err != nil || len(b) != 32 || round > 0 && !bytes.Equal(b, secret) {
			t.Errorf("round %d: the secret is %x, %v", round, b, err)
		}
		secret = b
		for name, mode := range map[string]os.FileMode{"secret": 0o600, "keys": 0o700, "keys/op-1.pem": 0o600, "office.db": 0o600} {
			info, err := os.Stat(filepath.Join(dir, name))
			if err != nil || info.Mode().Perm() != mode {
				t.Errorf("round %d: %s has mode %v, %v", round, name, info.Mode(), err)
			}
			if err := os.Chmod(filepath.Join(dir, name), mode|0o055); err != nil {
				t.Fatal(err)
			}
		}
		if open := strings.Contains(said.String(), "open to others"); open != (round > 0) {
			t.Errorf("round %d: said %q", round, said.String())
		}
		if err := os.Chmod(dir, 0o777); err != nil {
			t.Fatal(err)
		}
	}
}
