package tell

import (
	"strings"

	"meterwright/record"
)

// Record writes what a verification found.
func (t *Text) Record(r record.Report) {
	t.Line("%s", upper(r.Verdict.String()))
	if r.Visit != "" {
		nature := "real work"
		if r.Nature == record.Practice {
			nature = "practice, not real work"
		}
		t.Line("  visit %s: %s; %s", r.Visit, nature, count(r.Lines, "genuine line"))
	}
	for _, c := range r.Chains {
		holder := ""
		if c.Named {
			holder = " (" + strings.TrimSpace(c.Holder.Person+" "+c.Holder.Device) + ")"
		}
		t.Line("  %s: device key %s%s", inputWords(c.Input), c.Key, holder)
		t.Line("    %s from %s to %s, head %s", count(int(c.Next), "line"), c.First.Format("2006-01-02 15:04:05"), c.Last.Format("15:04:05"), c.Head)
		if c.Boots > 1 {
			t.Line("    the device restarted: %s", count(c.Boots-1, "time"))
		}
	}
	for _, f := range r.Faults {
		t.Line("  FAULT: %s", f)
	}
	for _, n := range r.Notes {
		if n.Kind != record.NoteKeyNotNamed {
			t.Line("  note: %s", n)
		}
	}
	if r.NotesLeftOut > 0 {
		t.Line("  and %s more", count(r.NotesLeftOut, "note"))
	}
	if r.Lines > 0 {
		t.Line("  The signatures say that the holders of these keys made the lines; who holds a key is for you to know.")
	}
}

func inputWords(name string) string {
	if name == "" {
		return "the record"
	}
	return name
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// shownBody is the longest part of a body that a line of Event shows, in bytes.
const shownBody = 160

// Event writes one line of a record.
func (t *Text) Event(number int, e record.Event) {
	body := string(e.Body)
	if len(body) > shownBody {
		body = strings.ToValidUTF8(body[:shownBody], "") + "… (" + count(len(e.Body), "byte") + ")"
	}
	t.Line("%4d  %s  %-11s %s  %s", number, e.Wall.Format("2006-01-02 15:04:05"), e.Kind, e.Person, body)
}

// Raw writes a line of JSON as it is.
func (t *Text) Raw(line []byte) {
	if t.err == nil {
		_, t.err = t.w.Write(append(line, '\n'))
	}
}
