package site

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// docs/model.md holds the table of parameters as it is.
func TestModelDocument(t *testing.T) {
	b, err := os.ReadFile("../docs/model.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range Parameters() {
		if row := documentRow(&p); !strings.Contains(string(b), row) {
			t.Errorf("docs/model.md lacks the row\n%s", row)
		}
	}
}

func documentRow(p *Parameter) string {
	return fmt.Sprintf("| `%s` | %s | %g %s (%g–%g) | %s | %s |", p.Name, p.Words, p.Usual, p.Unit, p.Low, p.High, p.Mark, p.Source)
}
