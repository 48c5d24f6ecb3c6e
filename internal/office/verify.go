package office

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"meterwright/internal/page"
	"meterwright/internal/report"
	"meterwright/internal/store"
	"meterwright/record"
)

// verifyPage is the form for the files of a record, and the verdict on some.
type verifyPage struct {
	frame
	Most    int64
	Head    string
	Problem string
	Done    bool
	Verdict string
	Genuine bool
	Pairs   []report.Pair
	Link    string
}

// Bounds of one verification.
const (
	maxVerify      = 64 << 20
	maxVerifyFiles = record.MaxChains
	maxListed      = 40
)

func (o *Office) verifyPage(r *request) verifyPage {
	return verifyPage{frame: o.frame(r, "Verify a record", "verify"), Most: maxVerify}
}

func (o *Office) verifyForm(r *request) error { return r.show(o.verifyPage(r)) }

func (o *Office) verify(r *request) error {
	p := o.verifyPage(r)
	var why *refused
	if err := o.verifyInto(r, &p); errors.As(err, &why) {
		p.Problem = why.words
		r.showAs(why.status, p)
		return nil
	} else if err != nil {
		return err
	}
	return r.show(p)
}

func (o *Office) verifyInto(r *request, p *verifyPage) error {
	list, err := uploads(r, maxVerify, maxVerifyFiles)
	if err != nil {
		return err
	}
	keys, err := o.keys(r)
	if err != nil {
		return err
	}
	opts := record.Options{Keys: keys}
	var inputs []record.Input
	for _, u := range list {
		switch {
		case u.Name != "":
			inputs = append(inputs, record.Input{Name: u.Name, R: bytes.NewReader(u.Content)})
		case u.Field == "head" && len(bytes.TrimSpace(u.Content)) > 0:
			p.Head = strings.TrimSpace(string(u.Content[:min(len(u.Content), 200)]))
			h, err := record.ParseHash(p.Head)
			if err != nil {
				return refuse(http.StatusBadRequest, "The hash of the last line: %s.", err)
			}
			opts.Heads = append(opts.Heads, h)
		}
	}
	// A fault is what a verification is for: it stands in the report.
	v, _ := record.VerifyAll(inputs, opts)
	p.Done, p.Verdict, p.Genuine, p.Pairs = true, v.Verdict.String(), v.Verdict.Genuine(), verdict(&v)
	if v.Visit == "" {
		return nil
	}
	held, err := o.store.Holds(r.ctx, v.Visit)
	if err != nil {
		return err
	}
	if len(held) > 0 {
		p.Link = o.opts.Base + "/visit/" + v.Visit
		p.Pairs = append(p.Pairs, compare(&v, held)...)
	} else {
		p.Pairs = append(p.Pairs, report.Pair{Name: "In this office", Value: "This office has no line of the visit."})
	}
	return nil
}

// keys lists the device keys that the office knows.
func (o *Office) keys(r *request) ([]record.NamedKey, error) {
	known, err := o.store.Keys(r.ctx)
	if err != nil {
		return nil, err
	}
	var list []record.NamedKey
	for _, k := range known {
		list = append(list, record.NamedKey{Key: k.Key, Person: k.Person, Device: k.Device})
	}
	return list, nil
}

func verdict(v *record.Report) []report.Pair {
	var list []report.Pair
	put := func(name, value string, mono bool) {
		list = append(list, report.Pair{Name: name, Value: value, Mono: mono})
	}
	if v.Visit != "" {
		put("Visit", v.Visit, true)
		put("Nature", string(v.Nature), false)
	}
	put("Genuine lines", itoa(v.Lines), true)
	for _, f := range v.Faults {
		put("Fault", f.Error(), false)
	}
	for _, f := range v.Forks {
		put("In two versions", fmt.Sprintf("Line %d of the chain of %.16s…: %s line %d, and %s line %d.", f.Seq, f.Key, f.One.Input, f.One.Line, f.Other.Input, f.Other.Line), false)
	}
	for _, c := range v.Chains {
		words := fmt.Sprintf("%s from %s to %s", count(int(c.Next), "line"), c.First.Format("2006-01-02 15:04:05"), c.Last.Format("15:04:05"))
		if c.Ended {
			words += ", ended"
		}
		if c.Named {
			words += fmt.Sprintf("; the key is known here: %s %s", c.Holder.Person, c.Holder.Device)
		} else {
			words += "; the key is not known in this office"
		}
		put("Chain", words, false)
		put("Device key", c.Key.String(), true)
		put("Last line's hash", c.Head.String(), true)
	}
	listed := 0
	for i, n := range v.Notes {
		if n.Kind == record.NoteKeyNotNamed {
			continue // Said with the chain.
		}
		if listed++; listed > maxListed {
			put("Note", fmt.Sprintf("and %d further notes", len(v.Notes)-i+v.NotesLeftOut), false)
			break
		}
		put("Note", n.String(), false)
	}
	return list
}

// compare says how the file stands to what the office holds.
func compare(v *record.Report, held []store.Holding) []report.Pair {
	var list []report.Pair
	for _, c := range v.Chains {
		words := "This office has no line of this chain."
		for _, h := range held {
			if h.Key != c.Key {
				continue
			}
			switch {
			case h.Head == c.Head:
				words = "This office holds the same lines, up to the same last one."
			case h.Next > c.Next:
				words = fmt.Sprintf("This office has %d of this chain's lines, and the file %d.", h.Next, c.Next)
			case h.Next < c.Next:
				words = fmt.Sprintf("This office has only %d of this chain's lines, and the file %d.", h.Next, c.Next)
			default:
				words = "This office holds another version of this chain."
			}
			if h.Head == c.Head {
				break
			}
		}
		list = append(list, report.Pair{Name: "In this office", Value: words})
	}
	return list
}

// showAs shows a page with another status than all is well.
func (r *request) showAs(status int, p interface{ Page() templComponent }) {
	page.Write(r.w, r.r, status, p.Page())
}
