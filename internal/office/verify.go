package office

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"strconv"

	"meterwright/internal/report"
	"meterwright/internal/store"
	"meterwright/record"
	"meterwright/say"
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
	return verifyPage{frame: o.frame(r, o.lang.Say("office.verify.title"), "verify"), Most: maxVerify}
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
	list, err := o.uploads(r, maxVerify, maxVerifyFiles)
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
		inputs = append(inputs, record.Input{Name: u.Name, R: bytes.NewReader(u.Content)})
	}
	if p.Head = (query{values: r.r.PostForm}).get("head"); p.Head != "" {
		h, err := record.ParseHash(p.Head)
		if err != nil {
			return o.refuse(http.StatusBadRequest, "hash", "why", err.Error())
		}
		opts.Heads = append(opts.Heads, h)
	}
	// A fault is what a verification is for: it stands in the report.
	v, _ := record.VerifyAll(inputs, opts)
	p.Done, p.Verdict, p.Genuine, p.Pairs = true, p.Say(verdicts[v.Verdict]), v.Verdict.Genuine(), p.pairsOf(&v)
	if v.Visit == "" {
		return nil
	}
	held, err := o.store.Holds(r.ctx, v.Visit)
	if err != nil {
		return err
	}
	if len(held) > 0 {
		p.Link = o.opts.Base + "/visit/" + v.Visit
		p.Pairs = append(p.Pairs, p.compare(&v, held)...)
	} else {
		p.Pairs = append(p.Pairs, p.pair("here", p.Say("office.verify.no-visit")))
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

// verdicts are the keys of what a verification can find.
var verdicts = map[record.Verdict]string{record.Unreadable: "office.verdict.unreadable", record.NotGenuine: "office.verdict.not-genuine", record.InTwoVersions: "office.verdict.two-versions",
	record.GenuineNotEnded: "office.verdict.not-ended", record.GenuineToHead: "office.verdict.to-head", record.GenuineEnded: "office.verdict.ended"}

// pair is a value under the name that stands under a key.
func (p verifyPage) pair(name, value string) report.Pair {
	return report.Pair{Name: p.Say("office.verify." + name), Value: value}
}

// pairsOf says what was found in the files. Faults and notes say for themselves what they are.
func (p verifyPage) pairsOf(v *record.Report) []report.Pair {
	var list []report.Pair
	put := func(name, value string, mono bool) {
		x := p.pair(name, value)
		x.Mono = mono
		list = append(list, x)
	}
	if v.Visit != "" {
		put("visit", v.Visit, true)
		put("nature", p.Nature(v.Nature), false)
	}
	put("lines", strconv.Itoa(v.Lines), true)
	for _, f := range v.Faults {
		put("fault", f.Error(), false)
	}
	for _, f := range v.Forks {
		put("fork", p.Say("office.verify.forked", "n", int(f.Seq), "key", fmt.Sprintf("%.16s…", f.Key), "one", f.One.Input, "line", f.One.Line, "other", f.Other.Input, "place", f.Other.Line), false)
	}
	for _, c := range v.Chains {
		key := say.Either(c.Ended, "office.verify.chain-ended", "office.verify.chain-going")
		put("chain", p.Say(key, "n", int(c.Next), "first", say.Day(c.First)+" "+say.Second(c.First), "last", say.Second(c.Last)), false)
		holder := p.Say("office.verify.key-unknown")
		if c.Named {
			holder = p.Say("office.verify.key-known", "person", c.Holder.Person, "device", c.Holder.Device)
		}
		put("holder", holder, false)
		put("key", c.Key.String(), true)
		put("head", c.Head.String(), true)
	}
	listed := 0
	for i, n := range v.Notes {
		if n.Kind == record.NoteKeyNotNamed {
			continue // Said with the chain.
		}
		if listed++; listed > maxListed {
			put("note", p.Say("office.verify.further", "n", len(v.Notes)-i+v.NotesLeftOut), false)
			break
		}
		put("note", n.String(), false)
	}
	return list
}

// compare says how the file stands to what the office holds.
func (p verifyPage) compare(v *record.Report, held []store.Holding) []report.Pair {
	var list []report.Pair
	for _, c := range v.Chains {
		words := p.Say("office.verify.no-chain")
		for _, h := range held {
			if h.Key != c.Key {
				continue
			}
			key := "other-version"
			switch {
			case h.Head == c.Head:
				key = "same"
			case h.Next > c.Next:
				key = "more"
			case h.Next < c.Next:
				key = "fewer"
			}
			words = p.Say("office.verify."+key, "here", int(h.Next), "file", int(c.Next))
			if h.Head == c.Head {
				break
			}
		}
		list = append(list, p.pair("here", words))
	}
	return list
}
