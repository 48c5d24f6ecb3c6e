package serve

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
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
	"meterwright/record"
	"meterwright/rules"
	"meterwright/visit"
)

// The demonstration: a dozen jobs of one day in Northmere, which does not exist. Everybody and
// everything in it is invented; the meter-point numbers have check digits that agree, so that they
// can be checked. Its keys come from a word that anybody may know and prove nothing.

const demoSeed = "northmere-day"

func demoKeys(person string) (*field.Hand, error) {
	return &field.Hand{Signer: devicekey.Demonstration(demoSeed, person)}, nil
}

// demoPeople are those who work with the device in the demonstration.
var demoPeople = [][2]string{{"op-114", "R. Quill"}, {"op-207", "A. Brindle"}, {"op-318", "J. Sallow"}, {"op-226", "M. Tarn"},
	{"op-231", "E. Fallow"}, {"op-245", "D. Wicken"}, {"op-258", "S. Mere"}, {"op-262", "T. Rushby"}}

// demoJob is one job, with what was done of it already.
type demoJob struct {
	ref, address, point, meter, person string
	// site is the service position as a job file writes it.
	site string
	// more is further lines of the job file.
	more string
	// overdue says that the kit's two-pole detector is past its calibration.
	overdue bool
	// begun is how many minutes before now the visit began; 0 for one that was not begun.
	begun int
	// pace is the time from one entry to the next.
	pace string
	// script is the entries of the visit.
	script string
	// advise records what the model makes of the readings.
	advise bool
}

// demoDay is the day, in the order of the appointments.
var demoDay = []demoJob{
	{"NM-3001", "7 Lantern Row, Northmere", "9900000089193", "M-8101", "op-114", "{arrangement: TN-C-S}", "", false, 0, "", "", false},
	{"NM-3002", "2 Tollhouse Mews, Northmere", "9900000168385", "M-8102", "op-114", "{arrangement: TN-C-S}", "", false, 48, "8s", `
  - go-on: metalwork-detector
  - observed: lit
  - acted: break-seals
  - reported: {to: distributor, name: control room, reference: NM-44-1, words: the meter box is live and the cut-out has not been touched}
    at: +2m
`, false},
	{"NM-3003", "19 Weir Lane, Northmere", "9900000247577", "M-8103", "op-207", "{arrangement: TN-C-S}", "", false, 210, "16s", `
  - go-on
  - ended: {outcome: completed, left: the new meter is fitted and sealed and the supply is on}
`, false},
	{"NM-3004", "11 Tannery Bank, Northmere", "9900000326769", "M-8104", "op-207", "{arrangement: TN-S, reference: true}", "", false, 26, "12s", `
  - go-on: dead-prove-again
`, false},
	{"NM-3005", "5 Beacon Close, Northmere", "9900000405950", "M-8105", "op-226", "{arrangement: TN-C-S}", "", false, 31, "12s", `
  - go-on: dead-prove-again
  - proved: two-pole-detector on proving-unit shows dark
    at: +1m
  - took-off: [gloves, visor]
`, false},
	{"NM-3006", "18 Millrace Terrace, Northmere", "9900000485149", "M-8106", "op-318", "{arrangement: TT}", "", false, 190, "16s", `
  - go-on: metalwork-detector
  - observed: lit
  - reported: {to: distributor, name: control room, reference: NM-44-2, words: the meter box is live}
    at: +2m
  - defect: {owner: distributor, asset: meter box, words: voltage on the meter box by the non-contact detector, scheme: service-termination, category: A}
  - ended: {outcome: stopped-danger, why: voltage on metalwork, left: nothing was opened and the supply is as it was found, guarded: the operative stayed until the distributor took over}
    at: +35m
`, false},
	{"NM-3007", "30 Quarry Road, Northmere", "9900000564330", "M-8107", "op-262", "{arrangement: TN-C-S, sources: [battery]}", "hazards: [the cupboard is low and badly lit]\n", false, 150, "14s", `
  - go-on: shroud-contact
  - noted: the operative feels unwell and will not go on
  - acted: shroud-contact
  - acted: put-cover-on
  - reported: {to: employer, name: duty supervisor, reference: FM-3350, words: another operative is asked for}
    at: +2m
  - ended: {outcome: abandoned, why: the operative is unwell, left: "the carrier is out and kept, the supply contact is shrouded, the meter cover is on and the main switch is off", guarded: the operative stays until a colleague takes over}
    at: +25m
`, false},
	{"NM-3008", "4 Saltmarsh Row, Northmere", "9900000643522", "M-8108", "op-207", "{arrangement: TN-C-S}", "", false, 95, "10s", `
  - go-on: consent
  - inspected: refused
  - reported: {to: employer, reference: FM-3351}
    at: +1m
  - ended: {outcome: not-agreed, why: the person responsible does not agree today, left: nothing was touched and the supply is on}
    at: +2m
`, false},
	{"NM-3009", "37 Fuller Street, Northmere", "9900000722714", "M-8109", "op-318", "{arrangement: TN-C-S}", "", false, 40, "12s", `
  - go-on: dead-prove
  - noted: the carrier is out and the supply contact is shrouded
  - hand-over: {person: op-262, device: op-262}
    at: +6m
`, false},
	{"NM-3010", "9 Ropewalk Yard, Northmere", "9900000801906", "M-8110", "op-231", "{arrangement: TN-C-S}", "", false, 22, "9s", `
  - go-on: break-seals
  - away: to fetch another pair of gloves from the van
  - back
`, false},
	{"NM-3011", "6 Lantern Court, Northmere", "9900000881098", "M-8111", "op-207", "{arrangement: TN-C-S, rates: 2}", "dependants: [a stair lift, arranged for the time]\n", true, 0, "", "", false},
	{"NM-3012", "40 Harbour Rise, Northmere", "9900000960280", "M-8112", "op-245", "{arrangement: TN-C-S, export: true, sources: [inverter]}", "overlays: [every-pair]\n", false, 9, "10s", `
  - go-on: cutout-kind
  - away: to ask the office about the inverter
`, false},
	{"NM-3013", "3 Fennel Way, Northmere", "9900001039477", "M-8113", "op-318", "{arrangement: TT, reference: true}", "hazards: [a dog, which is kept in the garden]\n", true, 0, "", "", false},
	{"NM-3014", "8 Chandler's Row, Northmere", "9900001118669", "M-8114", "op-258", "{arrangement: TN-C-S}", "", false, 18, "9s", `
  - go-on: socket-neutral-earth
  - observed: 63.0 V
  - reported: {to: employer, name: duty supervisor, reference: FM-3352, words: the socket reads 63 V from neutral to earth}
    at: +2m
  - resumed: the supervisor asks for the socket to be read again
  - go-on: socket-line-earth
`, true},
}

// demoUsual is what everyday readings are in the demonstration.
const demoUsual = `usual:
  declared-voltage: 238.1 V
  dead-voltage: 0.4 V
  no-load-current: 0.00 A
  joined-resistance: 0.04 ohm
  loop-tn-cs: 0.18 ohm
  loop-tn-s: 0.41 ohm
  loop-tt-electrode: 86 ohm
  dependants: a freezer, which keeps its cold for the time
  final-import: "04330"
  old-seals: cover S-4471 and S-4472, cut-out S-4473
  fuse-type: BS 1361 type II
  fuse-rating: "80"
  torque: "2.5"
  new-number: N-26101
  fault-current: "1.32"
  opening-import: "00000"
  load-pulses: "10"
  load-seconds: "15.6"
  load-constant: "1000"
  load-estimate: "2300"
  new-seals: cover S-5210 and S-5211, cut-out S-5212
  advice: what was found and measured, and to ring 105 if the supply fails
  told: the consumer
  before: before.png
  final-photograph: final-photograph.png
  old-photograph: old-photograph.png
  terminals-photograph: terminals-photograph.png
  opening-photograph: opening-photograph.png
  after-photograph: after-photograph.png
`

// file writes the job as a job file. Dates lie around the day, so that an instrument is in date
// or past it whenever the demonstration is loaded.
func (d demoJob) file(at int, day time.Time) string {
	on := func(days int) string { return day.AddDate(0, 0, days).Format(time.DateOnly) }
	due := on(128)
	if d.overdue {
		due = on(-9)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "job: %s\nfictional: true\nemployer: Fennmoor Metering (fictional)\naddress: %s\nmeter_point: %s\nmeter: %s\n", d.ref, d.address, d.point, d.meter)
	fmt.Fprintf(&b, "appointment: %s %02d:%02d\nsite: %s\nmethod: gb-single-phase-exchange\nperson: %s\n%s", on(0), 8+at*2/3, at*2%3*20, d.site, d.person, d.more)
	registers := []string{"final-import"}
	if strings.Contains(d.site, "rates: 2") {
		registers = []string{"final-rate-1", "final-rate-2"}
	}
	b.WriteString("registers:\n")
	for _, r := range registers {
		fmt.Fprintf(&b, "  - {entry: %s, digits: 5, earlier: [{on: %s, reading: \"02840\"}, {on: %s, reading: \"03590\"}]}\n", r, on(-184), on(-92))
	}
	fmt.Fprintf(&b, `kit:
  instruments:
    - {kind: socket-tester, id: ST-12, proved_on: {kind: known-live-socket, id: van socket}}
    - {kind: non-contact-detector, id: NC-40, proved_on: {kind: alternating-field-source, id: FS-3}}
    - {kind: two-pole-detector, id: VD-204, calibration_due: %s, leads: L-17, proved_on: {kind: proving-unit, id: PU-9, nominal: 230 V}}
    - {kind: two-pole-detector, id: VD-205, calibration_due: %s, leads: L-22, proved_on: {kind: proving-unit, id: PU-9, nominal: 230 V}}
    - {kind: loaded-test-lamp, id: TL-5, leads: L-18, proved_on: {kind: loaded-proving-source, id: LS-2, nominal: 230 V}}
    - {kind: voltmeter, id: VM-118, calibration_due: %s, leads: L-19, proved_on: {kind: proving-unit, id: PU-9, nominal: 230 V}}
    - {kind: clamp-meter, id: CM-31, calibration_due: %s, proved_on: {kind: known-load, id: KL-1, nominal: 5.00 A}}
    - {kind: continuity-tester, id: CT-77, calibration_due: %s, leads: L-20, proved_on: {kind: check-resistor, id: CR-1, nominal: 0.50 ohm}}
    - {kind: loop-tester, id: LT-63, calibration_due: %s, leads: L-21, proved_on: {kind: check-resistor, id: CR-2, nominal: 1.00 ohm}}
    - {kind: rcd-tester, id: RT-14, calibration_due: %s, proved_on: {kind: check-resistor, id: CR-3, nominal: 40 ms}}
  protection:
    - {item: gloves, id: G-31, test_due: %s}
    - {item: gloves, id: G-32, test_due: %s}
    - {item: visor, id: V-8}
`, due, on(200), on(158), on(189), on(97), on(97), on(219), on(52), on(-3))
	return b.String()
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
	last := demoDay[len(demoDay)-1].ref
	if _, err := st.Job(ctx, last); err == nil {
		return nil
	} else if !errors.Is(err, store.ErrNotFound) {
		return err
	}
	for _, p := range demoPeople {
		if err := st.PutPerson(ctx, p[0], p[1]); err != nil {
			return err
		}
		h, err := demoKeys(p[0])
		if err != nil {
			return err
		}
		key, err := record.KeyOf(h.Signer.Public())
		if err != nil {
			return err
		}
		if err := st.PutKey(ctx, key, p[0], "demonstration tablet of "+p[1]); err != nil {
			return err
		}
	}
	var rows []store.Job
	for i, d := range demoDay {
		job, err := jobfile.ParseYAML(d.ref+".yaml", []byte(d.file(i, now)), pack.MeterPoint)
		if err != nil {
			return err
		}
		row, err := intake.Kept(job)
		if err != nil {
			return err
		}
		rows = append(rows, row)
		if d.begun > 0 {
			if err := d.carry(ctx, st, j, pack, job, now); err != nil {
				return fmt.Errorf("%s: %w", d.ref, err)
			}
		}
	}
	// The jobs come last: where loading is broken off, it begins again, and lines that are
	// there already stay as they are.
	_, err := st.ImportJobs(ctx, "demonstration", rows)
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
	begin := now.Add(-time.Duration(d.begun) * time.Minute)
	// When the supply went off and came on is known once the visit was carried out; its second
	// run, at the same times, writes them down.
	off, on := "not noted", "not noted"
	for again := true; again; {
		text := fmt.Sprintf("script: %s\nfictional: true\ndate: %s\nbegin: %q\nzone: %q\npace: %s\ndevice: %s\nseed: %s\n%s  off-time: %q\n  on-time: %q\nentries:%s",
			strings.ToLower(d.ref), begin.Format(time.DateOnly), begin.Format("15:04"), begin.Format("-07:00"), d.pace, d.person, demoSeed, d.usual(), off, on, d.script)
		sc, err := script.Parse(d.ref+".script.yaml", []byte(text))
		if err != nil {
			return err
		}
		kept := &sheaf{}
		seed := sha256.Sum256([]byte(demoSeed + d.ref))
		said := map[string]string{"cutout-seal": "S-4473", "new-cutout-seal": "S-5212"}
		maps.Copy(said, sc.Usual)
		r := &script.Runner{Job: job, Script: sc, Machine: machine, Pack: pack, Visit: script.DemonstrationVisit(demoSeed+d.ref, begin),
			Engine: "meterwright " + version.Edition, Keep: kept, Random: mrand.NewChaCha8(seed), Tell: func(script.Told) {},
			Signer: func(device string) (record.Signer, error) { return devicekey.Demonstration(demoSeed, device), nil },
			File:   func(name string) ([]byte, error) { return drawn(strings.TrimSuffix(name, ".png"), said) }}
		if d.advise {
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
		if err := j.submit(ctx, r.Visit, d.ref, kept.lines); err != nil {
			return err
		}
	}
	return nil
}

// usual leaves out everyday values that the method of this job does not ask for.
func (d demoJob) usual() string {
	out := []string{}
	for _, l := range strings.Split(demoUsual, "\n") {
		switch key, _, _ := strings.Cut(strings.TrimSpace(l), ":"); key {
		case "loop-tn-cs", "loop-tn-s", "loop-tt-electrode":
			want := map[string]string{"loop-tn-cs": "TN-C-S", "loop-tn-s": "TN-S", "loop-tt-electrode": "TT"}[key]
			if !strings.Contains(d.site, "arrangement: "+want+"}") && !strings.Contains(d.site, "arrangement: "+want+",") {
				continue
			}
		}
		out = append(out, l)
	}
	return strings.Join(out, "\n") + "  old-number: " + d.meter + "\n"
}
