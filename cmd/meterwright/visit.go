package main

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"io"
	mrand "math/rand/v2"
	"os"
	"path/filepath"

	"github.com/google/uuid"

	"meterwright/internal/advice"
	"meterwright/internal/devicekey"
	"meterwright/internal/recordfile"
	"meterwright/internal/script"
	"meterwright/internal/terminal"
	"meterwright/internal/version"
	"meterwright/method"
	"meterwright/record"
	"meterwright/replay"
	"meterwright/say"
	"meterwright/visit"
)

type visitCommands struct {
	Run    visitRun    `cmd:"" help:"Carry out a script through the engine and keep a signed record." exits:"0 the visit ended, whatever the outcome|1 job or script make no sense|2 a file cannot be read or written|3 the script ended before the visit"`
	RunAll visitRunAll `cmd:"" help:"Carry out every DIR/NAME with a job.yaml and a script.yaml, one after another." exits:"0 every visit ended|1 one could not be carried out|2 the folder cannot be used|3 a script ended before its visit"`
	Replay visitReplay `cmd:"" help:"Verify a record, fold it again, and show how the visit stands." exits:"0 genuine and ended|1 not genuine, or this engine does not accept an event of it|2 unreadable|3 genuine, not ended"`
}

type visitRun struct {
	Job    string `help:"The job." required:"" placeholder:"FILE"`
	Script string `help:"What was done and seen." required:"" placeholder:"FILE"`
	Out    string `help:"Where the record is kept. A file that is there is never overwritten." required:"" placeholder:"RECORD"`
	Key    string `help:"The device's private key, PKCS #8 PEM; made when the file is missing. Without it the key is made anew and kept nowhere." placeholder:"FILE"`
	Seed   string `help:"Make keys, visit id and salts from this word. For demonstrations alone: such keys prove nothing." placeholder:"WORD"`
	Advise bool   `help:"Record after each reading what it may mean by the physical model. It is no finding."`
	asJSON
}

func (c *visitRun) Run(s *streams) error {
	if c.Out == standard && s.json {
		return usage(errors.New("--out - and --json both want standard output"), "leave one of them out")
	}
	shelf, err := openShelf()
	if err != nil {
		return err
	}
	story := s.out
	if c.Out == standard {
		story = s.err
	}
	done, err := c.carry(s, shelf, story)
	if err != nil {
		return err
	}
	if s.json {
		return s.conclude(done.code, done, nil)
	}
	return settled(done.code)
}

// carry carries one script out and tells its story, unless JSON is asked for. It opens the record
// only when job and script can be read.
func (c *visitRun) carry(s *streams, shelf *shelf, story io.Writer) (*carried, error) {
	job, err := shelf.readJob(s, c.Job)
	if err != nil {
		return nil, err
	}
	sc, err := parsed(s, c.Script, script.Parse)
	if err != nil {
		return nil, err
	}
	if c.Seed != "" {
		if !sc.Fictional {
			return nil, coded{exitBad, fmt.Errorf("%s: keys made from a seed prove nothing", c.Script), "leave --seed out, or mark the script fictional: true"}
		}
		sc.Seed = c.Seed
	}
	if job.Fictional != sc.Fictional {
		return nil, coded{exitBad, fmt.Errorf("one of %s and %s is marked fictional and the other is not", c.Job, c.Script), "mark both, or neither"}
	}
	machine, err := shelf.machine(c.Job, job)
	if err != nil {
		return nil, err
	}
	r := &script.Runner{Job: job, Script: sc, Machine: machine, Pack: shelf.pack, Engine: "meterwright " + version.Edition}
	if c.Advise {
		r.Adviser = advice.New(r.Engine)
	}
	if err := c.identify(r); err != nil {
		return nil, err
	}
	if err := r.Check(); err != nil {
		return nil, err
	}
	beside, err := os.OpenRoot(filepath.Dir(c.Script))
	if err != nil {
		return nil, unread(err)
	}
	r.File = func(name string) ([]byte, error) { return readWithin(beside, name) }
	if s.json {
		story = io.Discard
	}
	text := terminal.New(story, s.words)
	r.Tell = func(told script.Told) { text.Told(r.Now(), told, shelf.pack.Schemes) }
	keep, err := s.keeper(c.Out)
	if err != nil {
		return nil, errors.Join(unread(err), beside.Close())
	}
	r.Keep = keep

	text.Opening(sc.Title, sc.Fictional, job, machine.Method, sc.Begin)
	v, err := r.Carry(s.ctx)
	if closing := errors.Join(keep.Close(), beside.Close()); closing != nil && err == nil {
		err = unread(closing)
	}
	if err != nil {
		err = fmt.Errorf("%w; the lines kept until then, %d of them, stand in %s", err, r.Chain().Next, c.Out)
		return nil, coded{code: max(exitBad, faultOf(err).Exit), err: err}
	}
	text.Account(v, r.Findings, shelf.pack.Schemes)
	text.Caution()
	chain := r.Chain()
	key := say.Either(sc.Seed != "", "terminal.head.demonstration", "terminal.head")
	text.Line("")
	if p, ok := keep.(*piped); ok && p.left > 0 {
		text.Put(0, "terminal.photographs-left", "n", p.left)
	}
	text.Put(0, "terminal.record.at", "file", c.Out)
	text.Put(0, key, "head", chain.Head, "line", chain.Next, "key", chain.Key)
	code := exitGood
	if v.Outcome() == visit.NotEnded {
		code = exitUndecided
	}
	return &carried{code, c.Out, r.Visit, chain.Head.String(), chain.Key.String(), v.Outcome().String(), r.Refusals, append([]script.Finding{}, r.Findings...), v.Next(), v.Account()}, wrote(text)
}

// keeper keeps a record as it is made.
type keeper interface {
	script.Keeper
	Close() error
}

func (s *streams) keeper(path string) (keeper, error) {
	if path == standard {
		return &piped{w: s.out}, nil
	}
	return recordfile.Create(path)
}

// piped writes a record to standard output, where photographs have no place: the record names them
// by their hash all the same.
type piped struct {
	w    io.Writer
	left int
}

func (p *piped) Line(line []byte) error {
	_, err := p.w.Write(append(line[:len(line):len(line)], '\n'))
	return err
}

func (p *piped) Attachment([]byte, record.Reference) error {
	p.left++
	return nil
}

func (p *piped) Close() error { return nil }

// identify gives the runner its keys, its visit and its salts.
func (c *visitRun) identify(r *script.Runner) error {
	seed := r.Script.Seed
	if seed != "" {
		if c.Key != "" {
			return errors.New("--key and a seed are both given: leave one of them out")
		}
		r.Visit = script.DemonstrationVisit(seed, r.Script.Begin)
		r.Signer = func(device string) (record.Signer, error) { return devicekey.Demonstration(seed, device), nil }
		r.Random = mathrand(seed)
		return nil
	}
	id, err := uuid.NewV7()
	if err != nil {
		return fmt.Errorf("make the id of the visit: %w", err)
	}
	r.Visit, r.Random = id.String(), rand.Reader
	key, err := devicekey.Fresh()
	if c.Key != "" {
		key, err = devicekey.Load(c.Key)
	}
	if err != nil {
		return unread(err)
	}
	first := r.Script.Device
	r.Signer = func(device string) (record.Signer, error) {
		if device == first {
			return key, nil
		}
		return devicekey.Fresh()
	}
	return nil
}

// mathrand gives the salts of a demonstration, which hide nothing.
func mathrand(seed string) io.Reader {
	return mrand.NewChaCha8(sha256.Sum256([]byte("meterwright demonstration salts " + seed)))
}

func readWithin(root *os.Root, name string) ([]byte, error) {
	f, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(io.LimitReader(f, record.MaxAttachment+1))
	return b, errors.Join(err, f.Close())
}

// carried is what became of one script.
type carried struct {
	code     int
	Record   string           `json:"record"`
	Visit    string           `json:"visit"`
	Head     string           `json:"head"`
	Key      string           `json:"key"`
	Outcome  string           `json:"outcome"`
	Refusals int              `json:"refusals"`
	Findings []script.Finding `json:"registers"`
	Next     visit.Next       `json:"next"`
	Account  *visit.Account   `json:"account"`
}

type visitRunAll struct {
	Dir    string `arg:"" help:"A folder of folders, each with job.yaml and script.yaml."`
	Out    string `help:"Where the records are kept. Without it, a new temporary folder." placeholder:"DIR"`
	Advise bool   `help:"Record after each reading what it may mean by the physical model. It is no finding."`
	asJSON
}

func (c *visitRunAll) Run(s *streams) error {
	entries, err := os.ReadDir(c.Dir)
	if err != nil {
		return unread(err)
	}
	shelf, err := openShelf()
	if err != nil {
		return err
	}
	if c.Out == "" {
		if c.Out, err = os.MkdirTemp("", "meterwright-"); err != nil {
			return unread(err)
		}
	} else if err := os.MkdirAll(c.Out, 0o700); err != nil {
		return unread(err)
	}
	var names []string
	for _, e := range entries {
		if _, err := os.Stat(filepath.Join(c.Dir, e.Name(), "script.yaml")); err == nil {
			names = append(names, e.Name())
		}
	}
	if len(names) == 0 {
		return fmt.Errorf("%s has no folder with a script.yaml in it", c.Dir)
	}
	code := exitGood
	all := []*carried{}
	text := terminal.New(s.out, s.words)
	for i, name := range names {
		if !s.json {
			if i > 0 {
				text.Line("")
			}
			text.Line("=== %s", name)
		}
		one := visitRun{Job: filepath.Join(c.Dir, name, "job.yaml"), Script: filepath.Join(c.Dir, name, "script.yaml"), Out: filepath.Join(c.Out, name+".jsonl"), Advise: c.Advise}
		done, err := one.carry(s, shelf, s.out)
		if err != nil {
			s.report(err)
			code = exitBad
			continue
		}
		all = append(all, done)
		code = worst(code, done.code)
	}
	if s.json {
		return s.conclude(code, all, nil)
	}
	text.Head("terminal.carried", "n", len(all), "folder", c.Out)
	if err := wrote(text); err != nil {
		return err
	}
	return settled(code)
}

type visitReplay struct {
	File   string `arg:"" help:"The record." name:"record"`
	Method string `help:"The resolved method as JSON, where the record does not hold it; it must be the one that the record names." placeholder:"FILE"`
	asJSON
}

func (c *visitReplay) Run(s *streams) error {
	o, err := s.only(c.File)
	if err != nil {
		return err
	}
	v, err := s.verify([]source{o}, record.Options{})
	if err != nil {
		return err
	}
	if !v.report.Verdict.Genuine() {
		return s.conclude(verdictCode(v.report.Verdict), v, v.tell)
	}
	given, err := c.given(s)
	if err != nil {
		return err
	}
	f, err := o.open()
	if err != nil {
		return unread(err)
	}
	folded, err := replay.ReadFile(f, given)
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("%s: %w", o.name, err)
	}
	code := verdictCode(v.report.Verdict)
	if len(folded.Visit.Account().Discrepancies)+len(folded.Unread) > 0 {
		code = exitBad
	}
	return c.show(s, code, v, folded)
}

func (c *visitReplay) given(s *streams) (*method.Resolved, error) {
	if c.Method == "" {
		return nil, nil
	}
	b, err := s.readFile(c.Method, record.MaxLine)
	if err != nil {
		return nil, err
	}
	if v := jsontext.Value(b); v.Kind() != '{' {
		return nil, fmt.Errorf("%s is no resolved method: meterwright method show --json writes one", c.Method)
	}
	r, err := method.DecodeResolved(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Method, err)
	}
	return r, nil
}

type replayOutput struct {
	Verdict string         `json:"verdict"`
	Lines   int            `json:"lines"`
	Unread  []string       `json:"unread"`
	Next    visit.Next     `json:"next"`
	Held    []string       `json:"held"`
	Account *visit.Account `json:"account"`
}

func (c *visitReplay) show(s *streams, code int, found verified, folded *replay.Case) error {
	v := folded.Visit
	out := replayOutput{found.Verdict, len(folded.Lines()), []string{}, v.Next(), v.Held(), v.Account()}
	for _, u := range folded.Unread {
		out.Unread = append(out.Unread, fmt.Sprintf("%.12s…: %s: %s", u.Event, u.Kind, u.Err))
	}
	shelf, err := openShelf()
	if err != nil {
		return err
	}
	return s.conclude(code, out, func(t *terminal.Text) {
		found.tell(t)
		t.Story(v)
		for _, u := range folded.Unread {
			t.Put(0, "terminal.unread", "event", u.Event[:12], "why", u.Err)
		}
		t.Account(v, nil, shelf.pack.Schemes)
		t.Caution()
	})
}
