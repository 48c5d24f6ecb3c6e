// Package invented makes invented visits, signed by keys that prove nothing, for the tests
// of whatever shows visits. Town, companies, people and numbers are fictional.
package invented

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"embed"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"meterwright/internal/jobs"
	"meterwright/internal/jobs/jobfile"
	"meterwright/internal/script"
	"meterwright/method/written"
	"meterwright/record"
	"meterwright/rules"
	"meterwright/visit"
)

//go:embed job.yaml visits/*.yaml
var files embed.FS

// Visit is one visit as a device would hand it in.
type Visit struct {
	ID string
	// Lines are the lines of all chains in the order in which they were made, each
	// without its line feed.
	Lines [][]byte
	// Attachments holds the containers by their id.
	Attachments map[string][]byte
	Job         *jobs.Job
}

// Line keeps a line.
func (v *Visit) Line(line []byte) error {
	v.Lines = append(v.Lines, slices.Clone(line))
	return nil
}

// Attachment keeps a container.
func (v *Visit) Attachment(container []byte, ref record.Reference) error {
	v.Attachments[string(ref.ID)] = slices.Clone(container)
	return nil
}

// Events returns the lines decoded.
func (v *Visit) Events() []record.Event {
	list := make([]record.Event, len(v.Lines))
	for i, l := range v.Lines {
		var err error
		if list[i], err = record.Decode(l); err != nil {
			panic(err) // The line was encoded a moment ago.
		}
	}
	return list
}

// File returns the record as one file.
func (v *Visit) File() []byte { return append(bytes.Join(v.Lines, []byte("\n")), '\n') }

// Container returns the attachment with that id.
func (v *Visit) Container(id string) ([]byte, error) {
	b, ok := v.Attachments[id]
	if !ok {
		return nil, fmt.Errorf("attachment %s: not found", id)
	}
	return b, nil
}

// Names lists the visits.
func Names() []string {
	return []string{"whole", "void", "metalwork", "interference", "off", "overdue", "relay", "gloves", "meanings"}
}

// Change alters a visit before it is made.
type Change func(*Job, *Script)

// Make carries a visit out.
func Make(name string, changes ...Change) (*Visit, error) {
	text, err := files.ReadFile("job.yaml")
	if err != nil {
		return nil, err
	}
	pack := rules.GB()
	job, err := jobfile.ParseYAML("job.yaml", text, pack.MeterPoint)
	if err != nil {
		return nil, err
	}
	file := path.Join("visits", name+".yaml")
	if text, err = files.ReadFile(file); err != nil {
		return nil, err
	}
	s, err := script.Parse(file, text)
	if err != nil {
		return nil, err
	}
	for _, c := range changes {
		c(job, s)
	}
	return carry(job, s, name == "meanings")
}

// Example carries the example in a folder out.
func Example(folder string) (*Visit, error) {
	text, err := os.ReadFile(filepath.Join(folder, "job.yaml"))
	if err != nil {
		return nil, err
	}
	job, err := jobfile.ParseYAML("job.yaml", text, rules.GB().MeterPoint)
	if err != nil {
		return nil, err
	}
	if text, err = os.ReadFile(filepath.Join(folder, "script.yaml")); err != nil {
		return nil, err
	}
	s, err := script.Parse("script.yaml", text)
	if err != nil {
		return nil, err
	}
	return carry(job, s, false)
}

func carry(job *Job, s *Script, meanings bool) (*Visit, error) {
	pack := rules.GB()
	machine, err := machineFor(job, pack)
	if err != nil {
		return nil, err
	}
	v := &Visit{ID: script.DemonstrationVisit(s.Seed, s.Begin), Attachments: map[string][]byte{}, Job: job}
	r := script.Runner{Job: job, Script: s, Machine: machine, Pack: pack, Visit: v.ID, Engine: "meterwright (test)", Keep: v,
		Signer: func(device string) (record.Signer, error) {
			seed := sha256.Sum256([]byte("invented " + s.Seed + device))
			return record.PrivateKey(ed25519.NewKeyFromSeed(seed[:])), nil
		},
		Random: rand.NewChaCha8(sha256.Sum256([]byte(s.Seed))),
		File:   func(string) ([]byte, error) { return Picture(640, 480) },
		Tell:   func(script.Told) {},
	}
	if meanings {
		r.Adviser = Meanings{}
	}
	if _, err := r.Carry(context.Background()); err != nil {
		return nil, err
	}
	return v, nil
}

func machineFor(job *jobs.Job, pack *rules.Pack) (*visit.Machine, error) {
	shelf, err := written.Under(pack)
	if err != nil {
		return nil, err
	}
	resolved, err := shelf.For(job.Method, job.Overlays, job.ForMethod())
	if err != nil {
		return nil, err
	}
	return visit.New(resolved)
}

// Picture draws a picture of the given size, of nothing in particular.
func Picture(w, h int) ([]byte, error) {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(m, m.Bounds(), image.NewUniform(color.RGBA{0xc9, 0xc4, 0xb4, 0xff}), image.Point{}, draw.Src)
	for i := range 8 {
		c := color.RGBA{uint8(40 + 20*i), uint8(60 + 15*i), uint8(80 + 10*i), 0xff}
		draw.Draw(m, image.Rect(w*i/10, h*i/10, w*i/10+w/6, h*i/10+h/6), image.NewUniform(c), image.Point{}, draw.Src)
	}
	var b bytes.Buffer
	err := png.Encode(&b, m)
	return b.Bytes(), err
}

var _ io.Reader = (*rand.ChaCha8)(nil)

// Meanings is an adviser whose meanings and numbers are invented: what it says follows from the last
// voltage that was read, and from no model.
type Meanings struct{}

// Advise says that nothing was found, or what a tall voltage could come from.
func (Meanings) Advise(_ context.Context, v *visit.Visit) (*visit.Advised, error) {
	a := v.Account()
	nothing := []visit.Explanation{{}}
	x := &visit.Advised{Engine: "meterwright (test)", Model: strings.Repeat("1", 64), Site: strings.Repeat("2", 64), Outside: "0.001", Untouched: 40, Skipped: 1,
		Fits: []visit.Meaning{{Departures: nothing, Probability: "0.860"}}}
	for _, l := range a.Story {
		if body, ok := a.Body(l.Event); ok && v.Bears(body) {
			x.Upon = l.Event
		}
	}
	for _, r := range a.Readings {
		if r.Judged.Found == visit.FoundUnexpected {
			x.Against = []visit.Explanation{{}, {"reversed/service"}}
			x.Fits = []visit.Meaning{
				{Departures: []visit.Explanation{{"failing/meter.n-out"}, {"failing/tail.n"}}, Probability: "0.655", Danger: true},
				{Departures: nothing, Yet: visit.YetStands, Probability: "0.262"}}
		}
	}
	if inTurn, back := v.Reach("socket-line-neutral"); inTurn || back {
		x.Next = &visit.NextTest{Step: "socket-line-neutral", Nats: "0.41", Exposure: "0.000"}
		if len(x.Fits) > 1 {
			x.Next.Apart = []int{0, 1}
		}
	}
	return x, nil
}

// Somewhere gives a visit another job, address and person.
func Somewhere(job, address, person string) Change {
	return func(j *jobs.Job, s *script.Script) {
		j.Reference, j.Address, j.Person = job, address, person
		s.Seed += " " + strings.ToLower(job)
	}
}

// Job and Script are what a Change alters.
type (
	Job    = jobs.Job
	Script = script.Script
)
