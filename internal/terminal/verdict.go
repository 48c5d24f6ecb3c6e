package terminal

import (
	"cmp"
	"strings"

	"meterwright/record"
	"meterwright/say"
)

// Record writes what a verification found.
func (t *Text) Record(r record.Report) {
	t.Line("%s", t.Genuine(r.Verdict))
	if r.Visit != "" {
		t.Put(2, "terminal.record.visit", "visit", r.Visit, "nature", t.Nature(r.Nature), "n", r.Lines)
	}
	for _, c := range r.Chains {
		key := "terminal.record.key"
		if c.Named {
			key = "terminal.record.key-named"
		}
		t.Put(2, key, "input", cmp.Or(c.Input, t.Say("terminal.record.the")), "key", c.Key, "holder", strings.TrimSpace(c.Holder.Person+" "+c.Holder.Device))
		t.Put(4, "terminal.record.lines", "n", int(c.Next), "first", say.Day(c.First)+" "+say.Second(c.First), "last", say.Second(c.Last), "head", c.Head)
		if c.Boots > 1 {
			t.Put(4, "terminal.record.restarted", "n", c.Boots-1)
		}
	}
	for _, f := range r.Faults {
		t.Put(2, "terminal.record.fault", "fault", f)
	}
	for _, n := range r.Notes {
		if n.Kind != record.NoteKeyNotNamed {
			t.Put(2, "terminal.record.note", "note", n)
		}
	}
	if r.NotesLeftOut > 0 {
		t.Put(2, "terminal.record.more", "n", r.NotesLeftOut)
	}
	if r.Lines > 0 {
		t.Put(2, "terminal.record.whose")
	}
}

// shownBody is the longest part of a body that a line of Event shows, in bytes.
const shownBody = 160

// Event writes one line of a record.
func (t *Text) Event(number int, e record.Event) {
	body := string(e.Body)
	if len(body) > shownBody {
		body = strings.ToValidUTF8(body[:shownBody], "") + "… " + t.Say("terminal.record.bytes", "n", len(e.Body))
	}
	t.Line("%4d  %s  %-11s %s  %s", number, say.Day(e.Wall)+" "+say.Second(e.Wall), e.Kind, e.Person, body)
}

// Raw writes a line of JSON as it is.
func (t *Text) Raw(line []byte) {
	if t.err == nil {
		_, t.err = t.w.Write(append(line, '\n'))
	}
}
