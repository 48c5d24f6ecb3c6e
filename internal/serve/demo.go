package serve

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io/fs"
	mrand "math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"text/template"
	"time"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gomonobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

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
	text := fmt.Sprintf("script: %s\nfictional: true\ndate: %s\nbegin: %q\nzone: %q\npace: %s\ndevice: %s\nseed: %s\n%sentries:\n%s",
		strings.ToLower(d.Ref), begin.Format(time.DateOnly), begin.Format("15:04"), begin.Format("-07:00"), d.Pace, d.Person, demoSeed, demoFile("usual.yaml"), d.Entries)
	sc, err := script.Parse(d.Ref+".script.yaml", []byte(text))
	if err != nil {
		return err
	}
	kept := &sheaf{}
	seed := sha256.Sum256([]byte(demoSeed + d.Ref))
	said := map[string]string{"cutout-seal": "S-4473", "new-cutout-seal": "S-5212", "old-number": d.Meter, "new-number": "N-26001", "final-import": "04330", "opening-import": "00000", "torque": "2.5"}
	r := &script.Runner{Job: job, Script: sc, Machine: machine, Pack: pack, Visit: script.DemonstrationVisit(demoSeed+d.Ref, begin),
		Engine: "meterwright " + version.Edition, Keep: kept, Random: mrand.NewChaCha8(seed), Tell: func(script.Told) {},
		Signer: func(device string) (record.Signer, error) { return devicekey.Demonstration(demoSeed, device), nil },
		File:   func(name string) ([]byte, error) { return drawn(strings.TrimSuffix(name, ".png"), said) }}
	if d.Advise {
		r.Adviser = advice.New(r.Engine)
	}
	if _, err := r.Carry(ctx); err != nil {
		return err
	}
	for _, c := range kept.containers {
		if _, err := st.PutAttachment(ctx, c); err != nil {
			return err
		}
	}
	return j.submit(ctx, r.Visit, d.Ref, kept.lines)
}

// The photographs of the demonstration are drawn: a meter with its register, a cut-out with its
// seal, a torque screwdriver on a terminal. Each says on its face that it is no photograph.

// picture is one drawing under way.
type picture struct {
	*image.RGBA
	err error
}

const pictureW, pictureH = 480, 360

var (
	board   = color.RGBA{0xd9, 0xc7, 0xa5, 0xff}
	paper   = color.RGBA{0xf4, 0xf1, 0xe8, 0xff}
	casing  = color.RGBA{0x6b, 0x72, 0x70, 0xff}
	moulded = color.RGBA{0x2c, 0x30, 0x30, 0xff}
	display = color.RGBA{0xbf, 0xcf, 0xb4, 0xff}
	brass   = color.RGBA{0xb8, 0x96, 0x4a, 0xff}
	inks    = color.RGBA{0x16, 0x21, 0x1d, 0xff}
	// Insulation of line and neutral conductors, BS 7671 table 51 [M].
	brown = color.RGBA{0x7a, 0x4a, 0x28, 0xff}
	blue  = color.RGBA{0x2f, 0x62, 0xa8, 0xff}
)

func newPicture() *picture {
	p := &picture{RGBA: image.NewRGBA(image.Rect(0, 0, pictureW, pictureH))}
	p.box(0, 0, pictureW, pictureH, board)
	return p
}

func (p *picture) box(x, y, w, h int, c color.Color) {
	draw.Draw(p, image.Rect(x, y, x+w, y+h), image.NewUniform(c), image.Point{}, draw.Src)
}

// disc draws a filled circle, a row at a time.
func (p *picture) disc(x, y, r int, c color.Color) {
	for dy := -r; dy <= r; dy++ {
		half := 0
		for half*half+dy*dy <= r*r {
			half++
		}
		p.box(x-half+1, y+dy, 2*half-1, 1, c)
	}
}

// write writes a line with its foot at y.
func (p *picture) write(x, y int, size float64, ttf []byte, c color.Color, text string) {
	f, err := opentype.Parse(ttf)
	if err != nil {
		p.err = err
		return
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		p.err = err
		return
	}
	d := font.Drawer{Dst: p, Src: image.NewUniform(c), Face: face, Dot: fixed.P(x, y)}
	d.DrawString(text)
	p.err = face.Close()
}

// meter draws a meter with its number and what its register shows.
func (p *picture) meter(number, register string) {
	p.box(110, 30, 260, 230, casing)
	p.box(124, 44, 232, 120, paper)
	p.box(146, 64, 188, 60, display)
	p.write(158, 106, 40, gomonobold.TTF, inks, register)
	p.write(300, 120, 12, goregular.TTF, inks, "kWh")
	p.write(136, 154, 18, goregular.TTF, inks, "meter "+number)
	p.terminals(205)
}

// terminals draws four terminals with their conductors.
func (p *picture) terminals(y int) {
	p.box(124, y-20, 232, 60, moulded)
	for i, c := range []color.Color{brown, blue, blue, brown} {
		x := 150 + i*60
		p.box(x-9, y+20, 18, 100, c)
		p.disc(x, y, 15, brass)
		p.box(x-11, y-2, 22, 4, inks)
	}
}

// cutout draws a cut-out with its seal.
func (p *picture) cutout(seal string) {
	p.box(150, 40, 180, 200, moulded)
	p.box(185, 70, 110, 90, casing)
	p.write(198, 122, 18, goregular.TTF, paper, "100 A max")
	p.box(228, 240, 24, 80, inks)
	p.box(262, 160, 3, 70, paper)
	p.disc(264, 242, 24, brass)
	p.write(300, 262, 20, gomonobold.TTF, inks, seal)
}

// screwdriver draws a torque screwdriver on the terminals of a meter.
func (p *picture) screwdriver(torque string) {
	p.terminals(230)
	p.box(204, 110, 12, 120, casing)
	p.box(186, 20, 48, 96, moulded)
	p.box(192, 50, 36, 30, display)
	p.write(194, 72, 19, gomonobold.TTF, inks, torque)
	p.write(246, 72, 18, goregular.TTF, inks, torque+" N·m")
}

// drawn makes the picture of a field. said are the entries of the visit that can be seen on it.
func drawn(field string, said map[string]string) ([]byte, error) {
	p := newPicture()
	what := ""
	switch field {
	case "before", "after-photograph":
		seal := said["cutout-seal"]
		if field != "before" {
			seal = said["new-cutout-seal"]
		}
		p.cutout(seal)
		what = "the cut-out, sealed with " + seal
	case "final-photograph", "old-photograph":
		p.meter(said["old-number"], said["final-import"])
		what = "the meter that comes off"
	case "terminals-photograph":
		p.screwdriver(said["torque"])
		what = "a terminal of meter " + said["new-number"] + " tightened"
	case "opening-photograph":
		p.meter(said["new-number"], said["opening-import"])
		what = "the meter that goes on"
	default:
		return nil, fmt.Errorf("nothing is drawn for %q", field)
	}
	p.box(0, pictureH-34, pictureW, 34, paper)
	p.write(10, pictureH-11, 17, goregular.TTF, inks, "Drawing, fictional: "+what)
	if p.err != nil {
		return nil, p.err
	}
	var b bytes.Buffer
	err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, p)
	return b.Bytes(), err
}
