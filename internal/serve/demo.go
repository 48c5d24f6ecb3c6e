package serve

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"text/template"
	"time"

	mrand "math/rand/v2"

	"meterwright/internal/advice"
	"meterwright/internal/devicekey"
	"meterwright/internal/field"
	"meterwright/internal/jobs"
	"meterwright/internal/jobs/intake"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/script"
	"meterwright/internal/store"
	"meterwright/internal/version"
	"meterwright/internal/yamldoc"
	"meterwright/record"
	"meterwright/rules"
	"meterwright/visit"
)

// The demonstration: a dozen jobs of one day in Northmere, which does not exist. Everybody and
// everything in it is invented; the meter-point numbers have check digits that agree, so that they
// can be checked. Its keys come from a word that anybody may know and prove nothing.

const demoSeed = "northmere-day"

//go:embed demo
var demoFiles embed.FS

func demoKeys(person string) (*field.Hand, error) {
	return &field.Hand{Signer: devicekey.Demonstration(demoSeed, person)}, nil
}

// demonstration is what demo/day.yaml holds; that file says what its keys mean.
type demonstration struct {
	People []struct {
		ID   string `json:"id"`
		Name string `json:"name"`
	} `json:"people"`
	Jobs []demoJob `json:"jobs"`
}

// demoJob is one job, with what was done of it already.
type demoJob struct {
	Ref     string `json:"job"`
	Address string `json:"address"`
	Point   string `json:"meter_point"`
	Meter   string `json:"meter"`
	Person  string `json:"person"`
	Site    string `json:"site"`
	More    string `json:"more"`
	Overdue bool   `json:"overdue"`
	Begun   int    `json:"begun"`
	Pace    string `json:"pace"`
	Advise  bool   `json:"advise"`
	Entries string `json:"entries"`
}

// demoFile reads one of the files of the demonstration.
func demoFile(name string) []byte {
	b, err := demoFiles.ReadFile("demo/" + name)
	if err != nil {
		return nil // It is part of the program: this cannot be.
	}
	return b
}

var demoDay = sync.OnceValues(func() (d demonstration, err error) {
	doc, err := yamldoc.Parse("day.yaml", demoFile("day.yaml"))
	if err == nil {
		err = doc.Decode(&d)
	}
	return d, err
})

var demoForm = sync.OnceValues(func() (*template.Template, error) {
	return template.New("job").Parse(string(demoFile("job.yaml.tmpl")))
})

// dated is a job of the demonstration on a day. Its dates lie around the day, so that an instrument is
// in date or past it whenever the demonstration is loaded.
type dated struct {
	demoJob
	at  int
	day time.Time
}

func (d dated) On(days int) string { return d.day.AddDate(0, 0, days).Format(time.DateOnly) }
func (d dated) Hour() string       { return fmt.Sprintf("%02d:%02d", 8+d.at*2/3, d.at*2%3*20) }

func (d dated) Due() string {
	if d.Overdue {
		return d.On(-9)
	}
	return d.On(128)
}

func (d dated) Registers() []string {
	if strings.Contains(d.Site, "rates: 2") {
		return []string{"final-rate-1", "final-rate-2"}
	}
	return []string{"final-import"}
}

// job reads the job file that the form gives.
func (d dated) job(pack *rules.Pack) (*jobs.Job, error) {
	form, err := demoForm()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := form.Execute(&b, d); err != nil {
		return nil, err
	}
	return jobfile.ParseYAML(d.Ref+".yaml", b.Bytes(), pack.MeterPoint)
}

// demoMark is a file that says that a folder holds the demonstration.
const demoMark = "demonstration"

// markDemo keeps the demonstration and real visits apart: each has a folder of its own.
func markDemo(ctx context.Context, st *store.Store, c Config) error {
	mark := filepath.Join(c.Data, demoMark)
	_, err := os.Stat(mark)
	if err == nil && !c.Demo {
		return fmt.Errorf("the folder %s holds the demonstration: add --demo, or give --data another folder", c.Data)
	}
	if err == nil || !errors.Is(err, fs.ErrNotExist) || !c.Demo {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return err
	}
	lines, err := st.LastNumber(ctx)
	if err != nil {
		return err
	}
	n, err := st.CountJobs(ctx, store.JobFilter{})
	if err != nil {
		return err
	}
	if lines > 0 || n > 0 {
		return fmt.Errorf("the folder %s holds visits or jobs that are not the demonstration's: leave --demo out, or give --data another folder", c.Data)
	}
	return os.WriteFile(mark, []byte("Everything in this folder is invented.\n"), 0o600)
}

// loadDemo loads the demonstration, unless it is there already.
func loadDemo(ctx context.Context, st *store.Store, j *journal, pack *rules.Pack, now time.Time) error {
	demo, err := demoDay()
	if err != nil {
		return err
	}
	last := demo.Jobs[len(demo.Jobs)-1].Ref
	if _, err := st.Job(ctx, last); err == nil {
		return nil
	} else if !errors.Is(err, store.ErrNotFound) {
		return err
	}
	for _, p := range demo.People {
		if err := st.PutPerson(ctx, p.ID, p.Name); err != nil {
			return err
		}
		h, err := demoKeys(p.ID)
		if err != nil {
			return err
		}
		key, err := record.KeyOf(h.Signer.Public())
		if err != nil {
			return err
		}
		if err := st.PutKey(ctx, key, p.ID, "demonstration tablet of "+p.Name); err != nil {
			return err
		}
	}
	var rows []store.Job
	for i, d := range demo.Jobs {
		job, err := dated{d, i, now}.job(pack)
		if err != nil {
			return err
		}
		row, err := intake.Kept(job)
		if err != nil {
			return err
		}
		rows = append(rows, row)
		if d.Begun > 0 {
			if err := d.carry(ctx, st, j, pack, job, now); err != nil {
				return fmt.Errorf("%s: %w", d.Ref, err)
			}
		}
	}
	// The jobs come last: where loading is broken off, it begins again, and lines that are
	// there already stay as they are.
	_, err = st.ImportJobs(ctx, "demonstration", rows)
	return err
}

// sheaf gathers a visit, to be kept all at once.
type sheaf struct {
	lines      [][]byte
	containers [][]byte
}

func (s *sheaf) Line(line []byte) error { s.lines = append(s.lines, line); return nil }

func (s *sheaf) Attachment(container []byte, _ record.Reference) error {
	s.containers = append(s.containers, container)
	return nil
}

// carry carries out what was done of a job.
func (d demoJob) carry(ctx context.Context, st *store.Store, j *journal, pack *rules.Pack, job *jobs.Job, now time.Time) error {
	resolved, err := j.Method(ctx, job)
	if err != nil {
		return err
	}
	machine, err := visit.New(resolved)
	if err != nil {
		return err
	}
	begin := now.Add(-time.Duration(d.Begun) * time.Minute)
	// When the supply went off and came on is known once the visit was carried out; its second
	// run, at the same times, writes them down.
	off, on := "not noted", "not noted"
	for again := true; again; {
		text := fmt.Sprintf("script: %s\nfictional: true\ndate: %s\nbegin: %q\nzone: %q\npace: %s\ndevice: %s\nseed: %s\n%s  off-time: %q\n  on-time: %q\nentries:\n%s",
			strings.ToLower(d.Ref), begin.Format(time.DateOnly), begin.Format("15:04"), begin.Format("-07:00"), d.Pace, d.Person, demoSeed, d.usual(), off, on, d.Entries)
		sc, err := script.Parse(d.Ref+".script.yaml", []byte(text))
		if err != nil {
			return err
		}
		kept := &sheaf{}
		seed := sha256.Sum256([]byte(demoSeed + d.Ref))
		said := map[string]string{"cutout-seal": "S-4473", "new-cutout-seal": "S-5212"}
		maps.Copy(said, sc.Usual)
		r := &script.Runner{Job: job, Script: sc, Machine: machine, Pack: pack, Visit: script.DemonstrationVisit(demoSeed+d.Ref, begin),
			Engine: "meterwright " + version.Edition, Keep: kept, Random: mrand.NewChaCha8(seed), Tell: func(script.Told) {},
			Signer: func(device string) (record.Signer, error) { return devicekey.Demonstration(demoSeed, device), nil },
			File:   func(name string) ([]byte, error) { return drawn(strings.TrimSuffix(name, ".png"), said) }}
		if d.Advise {
			r.Adviser = advice.New(r.Engine)
		}
		v, err := r.Carry(ctx)
		if err != nil {
			return err
		}
		out := v.Account().Supply
		if again = len(out) > 0 && !out[0].On.IsZero() && off == "not noted"; again {
			off, on = out[0].Off.Format("15:04"), out[0].On.Format("15:04")
			continue
		}
		for _, c := range kept.containers {
			if _, err := st.PutAttachment(ctx, c); err != nil {
				return err
			}
		}
		if err := j.submit(ctx, r.Visit, d.Ref, kept.lines); err != nil {
			return err
		}
	}
	return nil
}

// usual leaves out everyday values that the method of this job does not ask for.
func (d demoJob) usual() string {
	out := []string{}
	for _, l := range strings.Split(string(demoFile("usual.yaml")), "\n") {
		switch key, _, _ := strings.Cut(strings.TrimSpace(l), ":"); key {
		case "loop-tn-cs", "loop-tn-s", "loop-tt-electrode":
			want := map[string]string{"loop-tn-cs": "TN-C-S", "loop-tn-s": "TN-S", "loop-tt-electrode": "TT"}[key]
			if !strings.Contains(d.Site, "arrangement: "+want+"}") && !strings.Contains(d.Site, "arrangement: "+want+",") {
				continue
			}
		}
		out = append(out, l)
	}
	return strings.Join(out, "\n") + "  old-number: " + d.Meter + "\n"
}
