package serve

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// open starts a server over a fresh folder with the demonstration.
func open(t *testing.T, dir string) *Server {
	t.Helper()
	s, err := Open(context.Background(), Config{Data: dir, Demo: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func get(t *testing.T, s *Server, path string) (int, string) {
	t.Helper()
	r := httptest.NewRequest("GET", "http://127.0.0.1"+path, nil)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func TestDemoDay(t *testing.T) {
	s := open(t, t.TempDir())
	if code, body := get(t, s, "/"); code != http.StatusOK || !strings.Contains(body, "authorises nobody") {
		t.Fatalf("first page: %d", code)
	}
	code, body := get(t, s, "/field/op-114/")
	if code != http.StatusOK {
		t.Fatalf("day: %d %s", code, body)
	}
	for _, want := range []string{"7 Lantern Row", "not begun", "away from the service position", "Voltage on metalwork", "not yet"} {
		if !strings.Contains(strings.ToLower(body), strings.ToLower(want)) {
			t.Errorf("the day does not say %q", want)
		}
	}
}
