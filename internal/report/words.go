package report

import (
	"fmt"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/visit"
)

const (
	clock  = "15:04:05"
	minute = "15:04"
	day    = "2006-01-02"
)

// category writes a category with its scheme, never a bare letter.
func (c *composer) category(scheme, code string) string {
	if scheme == "" || code == "" {
		return ""
	}
	for _, s := range c.in.Pack.Schemes {
		if s.ID != scheme {
			continue
		}
		for _, x := range s.Categories {
			if x.Code == code {
				return fmt.Sprintf("%s (%s): category %s, %s", s.Title, s.Edition, code, x.Meaning)
			}
		}
		return fmt.Sprintf("%s (%s): category %s", s.Title, s.Edition, code)
	}
	return fmt.Sprintf("scheme %q: category %s", scheme, code)
}

// point names a test point in words.
func (c *composer) point(id string) string {
	for _, p := range c.method.Points {
		if string(p.ID) == id {
			return p.Words
		}
	}
	return id
}

func (c *composer) between(at, against string) string {
	if against == "" {
		return c.point(at)
	}
	return c.point(at) + " against " + c.point(against)
}

func (c *composer) worn(ids []string) string {
	var words []string
	for _, id := range ids {
		name := id
		for _, p := range c.method.Protection {
			if p.ID == id {
				name = p.Words
			}
		}
		words = append(words, name)
	}
	if len(words) == 0 {
		return "nothing recorded"
	}
	return strings.Join(words, ", ")
}

// Limit writes a limit with its numbers, mark and source.
func Limit(b *method.Bounds) string {
	if b == nil {
		return ""
	}
	return fmt.Sprintf("%s [%s: %s]", LimitWords(b), b.Mark, b.Source)
}

// LimitWords writes a limit with its numbers.
func LimitWords(b *method.Bounds) string {
	unit := measure.Unit(b.Unit).String()
	switch {
	case b.Lower != "" && b.Upper != "":
		return fmt.Sprintf("%s to %s %s", b.Lower, b.Upper, unit)
	case b.Lower != "":
		return fmt.Sprintf("at least %s %s", b.Lower, unit)
	}
	return fmt.Sprintf("at most %s %s", b.Upper, unit)
}

// Verdict says what the engine made of a reading.
func Verdict(r *visit.Reading) string {
	p := ""
	if r.Judged.Verdict != "" {
		p = ", probability of lying within it " + probability(r.Judged.Probability)
	}
	switch r.Judged.Verdict {
	case "pass":
		return "within the limit" + p
	case "fail":
		return "outside the limit" + p
	case "doubtful":
		return "doubtful" + p
	}
	if r.Judged.Found == "expected" {
		return "as the method expects"
	}
	return "not as the method expects"
}

// probability writes a probability to three decimals, and never a certainty.
func probability(p float64) string {
	switch {
	case p >= 0.9995:
		return "over 0.999"
	case p < 0.0005:
		return "under 0.001"
	}
	return fmt.Sprintf("%.3f", p)
}

// Kind is the trade's name of a kind of instrument.
func Kind(k instrument.Kind) string {
	if m, ok := instrument.Lookup(k); ok {
		return m.Words
	}
	return string(k)
}

// Source is a proving source in words.
func Source(s visit.ProvingSource) string {
	words := strings.ReplaceAll(string(s.Kind), "-", " ")
	if s.ID != "" {
		words += " " + s.ID
	}
	if s.Nominal != "" {
		words += " (" + s.Nominal + ")"
	}
	return words
}

// Outcome is the way a visit ended, in words.
func Outcome(s string) string {
	switch s {
	case "completed":
		return "completed"
	case "stopped-danger":
		return "stopped: danger was found"
	case "cannot-complete":
		return "the meter work waits for somebody else"
	case "no-access":
		return "no access"
	case "not-agreed":
		return "the interruption was not agreed"
	case "abandoned":
		return "ended by the person on site"
	case "":
		return "not ended"
	}
	return strings.ReplaceAll(s, "-", " ")
}

// entered says when something happened that was entered afterwards.
func entered(happened string) string {
	t, err := time.Parse(time.RFC3339, happened)
	if err != nil {
		return ""
	}
	return "entered afterwards, happened " + t.Format(minute)
}

// span writes a time without supply to the minute.
func span(d time.Duration) string {
	n := int(d.Round(time.Minute) / time.Minute)
	if n < 60 {
		return fmt.Sprintf("%d min", n)
	}
	return fmt.Sprintf("%d h %02d min", n/60, n%60)
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") || strings.HasSuffix(s, "!") {
		return s
	}
	return s + "."
}
