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
	"meterwright/internal/replay"
	"meterwright/internal/script"
	"meterwright/internal/tell"
	"meterwright/internal/version"
	"meterwright/internal/yamldoc"
	"meterwright/method"
	"meterwright/record"
	"meterwright/visit"
)

type visitCommands struct {
	Run    visitRun    `cmd:"" help:"Carry out a script through the engine and keep a signed record. Exit 0 when the visit ended, 3 when the script ended first, 1 when job or script make no sense."`
	RunAll visitRunAll `cmd:"" help:"Carry out every DIR/NAME with a job.yaml and a script.yaml, one after another."`
	Replay visitReplay `cmd:"" help:"Verify a record, fold it again, and show how the visit stands. Exit codes as of record verify; also 1 when this engine does not accept an event of the record."`
}

type visitRun struct {
	Job    string `help:"The job." required:"" placeholder:"FILE"`
	Script string `help:"What was done and seen." required:"" placeholder:"FILE"`
	Out    string `help:"Where the record is kept. A file that is there is never overwritten." required:"" placeholder:"RECORD"`
	Key    string `help:"The device's private key, PKCS #8 PEM; made when the file is missing. Without it the key is made anew and kept nowhere." placeholder:"FILE"`
	Seed   string `help:"Make keys, visit id and salts from this word. For demonstrations alone: such keys prove nothing." placeholder:"WORD"`
	Advise bool   `help:"Record after each reading what the physical model makes of it: leads, not findings."`
	JSON   bool   `help:"Write JSON: the account of the visit."`
}

func (c *visitRun) Run(s *streams) error {
	shelf, err := openShelf()
	if err != nil {
		return err
	}
	out, err := c.carry(s, shelf)
	if err != nil {
		return err
	}
	if !out.ended {
		return coded{code: exitUndecided}
	}
	return nil
}

// carried is what became of one script.
type carried struct {
	ended bool
}

// carry carries one script out. It opens the record only when job and script can be read.
func (c *visitRun) carry(s *streams, shelf *shelf) (carried, error) {
	var done carried
	job, err := shelf.readJob(c.Job)
	if err != nil {
		return done, err
	}
	b, err := readFile(c.Script, yamldoc.MaxBytes)
	if err != nil {
		return done, err
	}
	sc, err := script.Parse(c.Script, b)
	if err != nil {
		return done, bad(err)
	}
	if c.Seed != "" {
		if !sc.Fictional {
			return done, bad(fmt.Errorf("%s: keys made from a seed prove nothing: leave --seed out, or mark the script fictional: true", c.Script))
		}
		sc.Seed = c.Seed
	}
	if job.Fictional != sc.Fictional {
		return done, bad(fmt.Errorf("one of %s and %s is marked fictional and the other is not: mark both, or neither", c.Job, c.Script))
	}
	machine, err := shelf.machine(c.Job, job)
	if err != nil {
		return done, err
	}
	r := &script.Runner{Job: job, Script: sc, Machine: machine, Pack: shelf.pack, Engine: "meterwright " + version.Edition}
	if c.Advise {
		r.Adviser = advice.New(r.Engine)
	}
	if err := c.identify(r); err != nil {
		return done, err
	}
	if err := r.Check(); err != nil {
		return done, bad(err)
	}
	beside, err := os.OpenRoot(filepath.Dir(c.Script))
	if err != nil {
		return done, unread(err)
	}
	r.File = func(name string) ([]byte, error) { return readWithin(beside, name) }
	text := tell.New(s.out)
	if c.JSON {
		text = tell.New(io.Discard)
	}
	r.Tell = func(told script.Told) { text.Told(told, shelf.pack.Schemes) }
	file, err := recordfile.Create(c.Out)
	if err != nil {
		return done, errors.Join(unread(err), beside.Close())
	}
	r.Keep = file

	text.Opening(sc.Title, sc.Fictional, job, machine.Method, sc.Begin)
	v, err := r.Carry(s.ctx)
	if closing := errors.Join(file.Close(), beside.Close()); closing != nil && err == nil {
		err = unread(closing)
	}
	if err != nil {
		return done, bad(fmt.Errorf("%w; the lines kept until then, %d of them, stand in %s", err, r.Chain().Next, c.Out))
	}
	done.ended = v.Outcome() != visit.NotEnded
	if c.JSON {
		return done, writeJSON(s.out, runJSON(c.Out, r, v))
	}
	text.Account(v, r.Findings, shelf.pack.Schemes)
	text.Caution()
	chain := r.Chain()
	note := ""
	if sc.Seed != "" {
		note = ", which is a demonstration key and proves nothing"
	}
	text.Line("")
	text.Line("Record: %s", c.Out)
	text.Line("Head: %s, line %d of the device key %s%s", chain.Head, chain.Next, chain.Key, note)
	return done, wrote(text)
}

// identify gives the runner its keys, its visit and its salts.
func (c *visitRun) identify(r *script.Runner) error {
	seed := r.Script.Seed
	if seed != "" {
		if c.Key != "" {
			return bad(errors.New("--key and a seed are both given: leave one of them out"))
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

type runOutput struct {
	Record   string           `json:"record"`
	Visit    string           `json:"visit"`
	Head     string           `json:"head"`
	Key      string           `json:"key"`
	Outcome  string           `json:"outcome"`
	Refusals int              `json:"refusals"`
	Findings []script.Finding `json:"registers"`
	Next     visit.Next       `json:"next"`
	Account  *visit.Account   `json:"account"`
	Caution  string           `json:"caution"`
}

func runJSON(path string, r *script.Runner, v *visit.Visit) runOutput {
	chain := r.Chain()
	return runOutput{path, r.Visit, chain.Head.String(), chain.Key.String(), v.Outcome().String(), r.Refusals, append([]script.Finding{}, r.Findings...), v.Next(), v.Account(), tell.Caution}
}

type visitRunAll struct {
	Dir    string `arg:"" help:"A folder of folders, each with job.yaml and script.yaml."`
	Out    string `help:"Where the records are kept. Without it, a new temporary folder." placeholder:"DIR"`
	Advise bool   `help:"Record after each reading what the physical model makes of it: leads, not findings."`
	JSON   bool   `help:"Write JSON, one document for each visit."`
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
		return bad(fmt.Errorf("%s has no folder with a script.yaml in it", c.Dir))
	}
	worst := exitGood
	text := tell.New(s.out)
	for i, name := range names {
		if !c.JSON {
			if i > 0 {
				text.Line("")
			}
			text.Line("=== %s", name)
		}
		one := visitRun{Job: filepath.Join(c.Dir, name, "job.yaml"), Script: filepath.Join(c.Dir, name, "script.yaml"), Out: filepath.Join(c.Out, name+".jsonl"), Advise: c.Advise, JSON: c.JSON}
		done, err := one.carry(s, shelf)
		if err != nil {
			report(s.err, err)
			worst = exitBad
			continue
		}
		if !done.ended && worst == exitGood {
			worst = exitUndecided
		}
	}
	if !c.JSON {
		text.Line("")
		text.Line("%d visits carried out; their records stand in %s", len(names), c.Out)
	}
	if err := wrote(text); err != nil {
		return err
	}
	if worst != exitGood {
		return coded{code: worst}
	}
	return nil
}

type visitReplay struct {
	File   string `arg:"" help:"The record." name:"record"`
	Method string `help:"The resolved method as JSON, where the record does not hold it; it must be the one that the record names." placeholder:"FILE"`
	JSON   bool   `help:"Write JSON."`
}

func (c *visitReplay) Run(s *streams) error {
	report, _, err := verifyFiles(s, []string{c.File}, nil, nil)
	if err != nil && report.Lines == 0 || !report.Verdict.Genuine() {
		if !c.JSON {
			if err := showReport(s.out, []string{c.File}, report); err != nil {
				return err
			}
		}
		return coded{verdictCode(report.Verdict), err}
	}
	given, err := c.given()
	if err != nil {
		return err
	}
	f, err := os.Open(c.File)
	if err != nil {
		return unread(err)
	}
	folded, err := replay.Fold(f, given)
	if err = errors.Join(err, f.Close()); err != nil {
		return bad(fmt.Errorf("%s: %w", c.File, err))
	}
	if err := c.show(s, report, folded); err != nil {
		return err
	}
	code := verdictCode(report.Verdict)
	if len(folded.Visit.Account().Discrepancies)+len(folded.Unread) > 0 {
		code = exitBad
	}
	if code != exitGood {
		return coded{code: code}
	}
	return nil
}

func (c *visitReplay) given() (*method.Resolved, error) {
	if c.Method == "" {
		return nil, nil
	}
	b, err := readFile(c.Method, record.MaxLine)
	if err != nil {
		return nil, err
	}
	if v := jsontext.Value(b); v.Kind() != '{' {
		return nil, bad(fmt.Errorf("%s is no resolved method: meterwright method show --json writes one", c.Method))
	}
	r, err := method.DecodeResolved(b)
	if err != nil {
		return nil, bad(fmt.Errorf("%s: %w", c.Method, err))
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
	Caution string         `json:"caution"`
}

func (c *visitReplay) show(s *streams, report record.Report, folded *replay.Result) error {
	v := folded.Visit
	if c.JSON {
		out := replayOutput{report.Verdict.String(), folded.Lines, []string{}, v.Next(), v.Held(), v.Account(), tell.Caution}
		for _, u := range folded.Unread {
			out.Unread = append(out.Unread, fmt.Sprintf("line %d: %s: %s", u.Line, u.Kind, u.Err))
		}
		return writeJSON(s.out, out)
	}
	t := tell.New(s.out)
	t.Record(report)
	t.Story(v)
	for _, u := range folded.Unread {
		t.Line("line %d is not read: %s", u.Line, u.Err)
	}
	shelf, err := openShelf()
	if err != nil {
		return err
	}
	t.Account(v, nil, shelf.pack.Schemes)
	t.Caution()
	return wrote(t)
}
