package reproducible

import (
	"strings"
	"testing"
)

func TestFusedSumsAreFound(t *testing.T) {
	found, err := scanAll(t.Context(), "./testdata/fused")
	if err != nil {
		t.Fatal(err)
	}
	for _, target := range targets {
		for _, function := range []string{"fused.Sum", "fused.Difference", "fused.Single"} {
			seen := false
			for _, f := range found {
				if f.target == target.name && strings.HasSuffix(f.function, function) && strings.Contains(f.position, "fused.go:") {
					seen = true
				}
			}
			// Single precision and differences are fused on arm64 only, as far
			// as the compiler has gone for amd64.
			if !seen && (target.name == "arm64" || function == "fused.Sum") {
				t.Errorf("%s: nothing found in %s; all found: %v", target.name, function, found)
			}
		}
	}
}

func TestRoundedSumsAreNot(t *testing.T) {
	found, err := scanAll(t.Context(), "./testdata/plain")
	if err != nil || len(found) != 0 {
		t.Errorf("got %v, %v", found, err)
	}
}

func TestAnEmptyAnswerIsNeverForNothing(t *testing.T) {
	for _, packages := range [][]string{nil, {"./testdata/absent"}, {"errors/absent"}} {
		if found, err := scanAll(t.Context(), packages...); err == nil {
			t.Errorf("%v: got %v and no error", packages, found)
		}
	}
}
