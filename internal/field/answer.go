package field

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/measure"
	"meterwright/method"
	"meterwright/record"
	"meterwright/site"
	"meterwright/visit"
)

// answering turns a form into a body. It decides nothing: it says what the person said.
type answering struct {
	form   *form
	file   *casefile
	key    record.Key
	kit    *jobs.Kit
	secret []byte
	now    time.Time
	// keep holds the photographs that the body names.
	keep []record.Attachment
}

// body returns what the form says.
func (r *answering) body() (visit.Body, error) {
	f := r.form
	entered, err := r.entered()
	if err != nil {
		return nil, err
	}
	switch visit.Kind(f.get("kind")) {
	case visit.KindTookUp:
		return r.tookUp(entered), nil
	case visit.KindChecked:
		b := visit.Checked{Item: f.get("item"), ID: f.get("id"), Due: f.get("due"), Found: f.get("found"), Note: f.get("note"), Entry: entered}
		if w, ok := r.kit.Wear(b.Item, f.get("piece")); ok && f.get("piece") != "" {
			b.ID, b.Due = w.ID, w.Due
		}
		return b, nil
	case visit.KindPutOn:
		return visit.PutOn{Items: f.values["items"], Entry: entered}, nil
	case visit.KindTookOff:
		return visit.TookOff{Items: f.values["items"], InSpite: f.get("in_spite") != "", Why: f.get("why"), Entry: entered}, nil
	case visit.KindProved:
		shows, err := r.shows(f.get("shows"), f.get("number"), f.get("unit"), f.get("detail"))
		if err != nil {
			return nil, err
		}
		b := visit.Proved{Kind: instrument.Kind(f.get("with")), ID: f.get("id"), Shows: shows, Entry: entered}
		b.Source = visit.ProvingSource{Kind: instrument.SourceKind(f.get("source"))}
		if t, ok := r.kit.Tool(b.Kind, b.ID); ok && t.ProvedOn.Kind == b.Source.Kind {
			b.Source.ID, b.Source.Nominal = t.ProvedOn.ID, t.ProvedOn.Nominal
		}
		return b, nil
	case visit.KindObserved:
		shows, err := r.shows(f.get("shows"), f.get("number"), f.get("unit"), f.get("detail"))
		return visit.Observed{Step: f.get("step"), Shows: shows, Note: f.get("note"), Entry: entered}, err
	case visit.KindInspected:
		return visit.Inspected{Step: f.get("step"), Answer: f.get("answer"), Note: f.get("note"), Entry: entered}, nil
	case visit.KindDecided:
		return visit.Decided{Step: f.get("step"), Value: f.get("value"), Entry: entered}, nil
	case visit.KindRecorded:
		return r.recorded(entered)
	case visit.KindActed:
		return visit.Acted{Step: f.get("step"), Act: site.ActID(f.get("act")), InSpite: f.get("in_spite") != "", Why: f.get("why"), Entry: entered}, nil
	case visit.KindLeftOut:
		return visit.LeftOut{Step: f.get("step"), How: method.Omission(f.get("how")), Why: f.get("why"), Entry: entered}, nil
	case visit.KindReturned:
		return visit.Returned{Step: f.get("step"), Why: f.get("why")}, nil
	case visit.KindWentAway:
		return visit.WentAway{Why: f.get("why")}, nil
	case visit.KindCameBack:
		return visit.CameBack{}, nil
	case visit.KindCorrected:
		return r.corrected()
	case visit.KindStopped:
		return visit.Stopped{Stop: f.get("stop"), Why: f.get("why")}, nil
	case visit.KindReported:
		return visit.Reported{To: method.Owner(f.get("to")), Whom: f.get("whom"), Name: f.get("name"), Reference: f.get("reference"), Words: f.get("words")}, nil
	case visit.KindResumed:
		return visit.Resumed{Why: f.get("why")}, nil
	case visit.KindDefect:
		b := visit.Defect{Owner: method.Owner(f.get("owner")), Asset: f.get("asset"), Words: f.get("words"), Restricted: f.get("restricted") != "", Entry: entered}
		b.Scheme, b.Category, _ = strings.Cut(f.get("category"), "/")
		return b, nil
	case visit.KindDependant:
		return visit.Dependant{Words: f.get("words"), Agreed: f.get("agreed")}, nil
	case visit.KindPhotograph:
		a, err := r.picture("picture")
		if err == nil && a == nil {
			err = errors.New("no photograph came with the form: take one and send it again")
		}
		if err != nil {
			return nil, err
		}
		return visit.Photograph{Of: f.get("of"), Attachment: *a, Entry: entered}, nil
	case visit.KindNoted:
		return visit.Noted{Words: f.get("words")}, nil
	case visit.KindAnswered:
		return visit.Answered{Advice: f.get("advice"), Answer: f.get("answer"), Why: f.get("why")}, nil
	case visit.KindTakenOver:
		return r.takenOver()
	case visit.KindHandedOver:
		return visit.HandedOver{Why: f.get("why")}, nil
	case visit.KindEnded:
		return visit.Ended{Outcome: f.get("outcome"), Why: f.get("why"), Left: f.get("left"), Guarded: f.get("guarded")}, nil
	case visit.KindSupplement:
		return visit.Supplement{Words: f.get("words")}, nil
	}
	return nil, fmt.Errorf("%.40q is no answer that a page gives: go back to the visit", f.get("kind"))
}

// takenOver names the chain that the person has seen and takes over: the last of
// those that hold the visit.
func (r *answering) takenOver() (visit.Body, error) {
	b := visit.TakenOver{Why: r.form.get("why")}
	for _, o := range r.file.Visit.Holdings() {
		if o.Chain != r.key.String() {
			b.Chain, b.Head = o.Chain, o.Head
		}
	}
	if b.Chain == "" {
		return nil, errors.New("there is no other device to take this visit over from: go on with it")
	}
	return b, nil
}

// entered reads when it happened, for what is entered after its phase.
func (r *answering) entered() (visit.Entry, error) {
	if r.form.get("after") == "" {
		return visit.Entry{}, nil
	}
	at, err := happened(r.form.get("happened"), r.now)
	if err != nil {
		return visit.Entry{}, err
	}
	return visit.Entry{Entered: "after", Happened: at.Format(time.RFC3339)}, nil
}

// happened reads a time of day as the last such time before now.
func happened(text string, now time.Time) (time.Time, error) {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return time.Time{}, errors.New("say when it happened, as hours and minutes like 10:42")
	}
	y, m, d := now.Date()
	at := time.Date(y, m, d, t.Hour(), t.Minute(), 0, 0, now.Location())
	if at.After(now) {
		return time.Time{}, fmt.Errorf("%s is still to come: say when it happened", text)
	}
	return at, nil
}

// shows reads what an instrument showed: a class, or a number as it was typed.
func (r *answering) shows(class, number, unit, detail string) (instrument.Indication, error) {
	switch {
	case class == string(instrument.Value):
		return typed(number, unit)
	case class == string(instrument.Wrong) && detail != "":
		return instrument.ParseIndication(string(instrument.Wrong) + ": " + detail)
	case class != "":
		return instrument.ParseIndication(class)
	}
	return typed(number, unit)
}

func typed(number, unit string) (instrument.Indication, error) {
	if number == "" {
		return instrument.Indication{}, errors.New("nothing was entered: type the number as the instrument shows it")
	}
	v, err := measure.ParseDecimal(number)
	if err != nil {
		return instrument.Indication{}, err
	}
	return instrument.ParseIndication(v.String() + " " + unit)
}

func (r *answering) tookUp(entered visit.Entry) visit.Body {
	f := r.form
	b := visit.TookUp{Entry: entered}
	b.Instrument = visit.Instrument{Kind: instrument.Kind(f.get("with")), ID: f.get("id"), Due: f.get("due"), Leads: f.get("leads")}
	if t, ok := r.kit.Tool(b.Instrument.Kind, f.get("tool")); ok && f.get("tool") != "" {
		b.Instrument = visit.Instrument{Kind: t.Kind, ID: t.ID, Due: t.Due, Leads: t.Leads}
	}
	return b
}

// recorded reads the fields of a step that records, photographs among them.
func (r *answering) recorded(entered visit.Entry) (visit.Body, error) {
	b := visit.Recorded{Step: r.form.get("step"), Entries: map[string]string{}, Entry: entered}
	s, _ := r.file.method().Step(b.Step)
	if s == nil || s.Record == nil {
		return nil, fmt.Errorf("step %.40q does not ask for entries", b.Step)
	}
	for _, fd := range s.Record.Fields {
		if fd.Type != "photograph" {
			if v := r.form.get("f." + fd.ID); v != "" {
				b.Entries[fd.ID] = v
			}
			continue
		}
		a, err := r.picture("p." + fd.ID)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", fd.Words, err)
		}
		if a != nil {
			if b.Photographs == nil {
				b.Photographs = map[string]visit.Attachment{}
			}
			b.Photographs[fd.ID] = *a
		}
	}
	return b, nil
}

// corrected reads a correction of an earlier answer.
func (r *answering) corrected() (visit.Body, error) {
	f := r.form
	b := visit.Corrected{Event: f.get("event"), Reason: visit.CorrectionReason(f.get("reason")), Now: f.get("now"), Why: f.get("why")}
	if b.Now == string(instrument.Value) || f.get("number") != "" && b.Now != "withdrawn" {
		shows, err := typed(f.get("number"), f.get("unit"))
		if err != nil {
			return nil, err
		}
		b.Now = shows.String()
	}
	if b.Now == "withdrawn" {
		b.Now = ""
	}
	for name := range f.values {
		id, ok := strings.CutPrefix(name, "f.")
		if v := f.get(name); ok && v != "" {
			if b.Entries == nil {
				b.Entries = map[string]string{}
			}
			b.Entries[id] = v
		}
	}
	return b, nil
}

// picture reads a photograph, takes out of it what tells where it was made, and keeps it ready
// to be stored. There may be none.
func (r *answering) picture(field string) (*visit.Attachment, error) {
	list := r.form.files[field]
	if len(list) == 0 || list[0].Size == 0 && list[0].Filename == "" {
		return nil, nil
	}
	file, err := list[0].Open()
	if err != nil {
		return nil, fmt.Errorf("the photograph did not arrive whole: send it again: %w", err)
	}
	content, err := io.ReadAll(io.LimitReader(file, record.MaxAttachment+1))
	if err := errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("the photograph did not arrive whole: send it again: %w", err)
	}
	// What the file is, its bytes say; its name and the type that came with it say nothing.
	media := ""
	switch {
	case bytes.HasPrefix(content, []byte("\xff\xd8\xff")):
		media = record.MediaJPEG
	case bytes.HasPrefix(content, []byte("\x89PNG\r\n\x1a\n")):
		media = record.MediaPNG
	default:
		return nil, errors.New("this is no JPEG or PNG picture: set the camera to JPEG, or choose another file")
	}
	a, err := record.NewAttachment(media, content, r.salt(field, content))
	if err != nil {
		return nil, err
	}
	r.keep = append(r.keep, a)
	ref := a.Reference()
	return &visit.Attachment{ID: string(ref.ID), Media: ref.Media, Bytes: ref.Bytes}, nil
}

// salt gives the reader of the salt of a photograph: the same for the same form and content, so
// that a form sent twice names one photograph, and a secret to everybody else.
func (r *answering) salt(field string, content []byte) *bytes.Reader {
	mac := hmac.New(sha256.New, r.secret)
	mac.Write([]byte("photograph-salt\n" + r.form.get("state") + "\n" + field + "\n"))
	sum := sha256.Sum256(content)
	mac.Write(sum[:])
	return bytes.NewReader(mac.Sum(nil))
}
