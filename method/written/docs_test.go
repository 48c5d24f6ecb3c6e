package written_test

import (
	"os"
	"strings"
	"testing"

	"meterwright/method"
	"meterwright/method/lint"
	"meterwright/method/written"
	"meterwright/site"
)

func page(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../docs/method-language.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The examples of the page are files that work.
func TestExamplesOfThePage(t *testing.T) {
	var blocks []string
	for i, part := range strings.Split(page(t), "```yaml\n") {
		if i > 0 {
			block, _, _ := strings.Cut(part, "```")
			blocks = append(blocks, block)
		}
	}
	if len(blocks) != 3 {
		t.Fatalf("%d examples", len(blocks))
	}
	job, l := method.Job{Site: site.Spec{Arrangement: site.TNS}}, limits(t)
	d, err := written.Parse("example.yaml", []byte(blocks[0]))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := method.Resolve(d, nil, job, l); err != nil {
		t.Error(err)
	}
	if found, err := lint.Method(d, lint.Against{Rules: l}); err != nil || len(found) > 0 {
		t.Errorf("lint finds %v, %v", found, err)
	}
	tr, err := written.ParseTranslation("fr.yaml", []byte(blocks[2]))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := method.Resolve(d, nil, job, l, tr); err == nil || strings.Contains(err.Error(), "edition") {
		t.Errorf("an excerpt of a translation was taken for a whole one: %v", err)
	}
	o, err := written.ParseOverlay("ours.yaml", []byte(blocks[1]))
	if err != nil {
		t.Fatal(err)
	}
	if d, err = library(t).Method(o.Of); err != nil {
		t.Fatal(err)
	}
	r, err := method.Resolve(d, []*method.Overlay{o}, job, l)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.TakesAway) != 2 {
		t.Errorf("takes away %q", r.TakesAway)
	}
}

// The page names every key, cause, limit and static fact, and every act and
// switch of a whole-current position.
func TestPageNamesEverything(t *testing.T) {
	text := page(t)
	var words []string
	for name := range limits(t).Limits {
		words = append(words, name)
	}
	for _, c := range method.Causes() {
		words = append(words, string(c))
	}
	words = append(words, method.StaticFacts()...)
	for _, r := range method.FieldRoles() {
		words = append(words, string(r))
	}
	for _, r := range method.StepRoles() {
		words = append(words, string(r))
	}
	for _, r := range method.StopRoles() {
		words = append(words, string(r))
	}
	for _, r := range method.FactRoles() {
		words = append(words, string(r))
	}
	for _, o := range method.Omissions() {
		words = append(words, string(o))
	}
	words = append(words, "take_up", "check", "put_on", "take_off", "prove", "observe", "inspect", "decide", "record", "act",
		"why", "when", "protect", "needs", "state", "supports", "unexpected", "otherwise", "answers", "within", "below", "above", "counts", "lasts_minutes", "allows", "resume", "make_safe")
	st, err := site.Expand(site.Spec{Arrangement: site.TNS})
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range st.Acts {
		words = append(words, strings.ReplaceAll(string(a.ID), "-house", "-NAME"))
	}
	for _, w := range st.Switches {
		words = append(words, strings.ReplaceAll(string(w.ID), ".house", ".NAME"))
	}
	for _, w := range words {
		if !strings.Contains(text, "`"+w) {
			t.Errorf("the page does not name %s", w)
		}
	}
	if len(words) < 50 {
		t.Errorf("only %d words were looked for", len(words))
	}
}
