package field

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"meterwright/instrument"
	"meterwright/internal/jobs"
	"meterwright/measure"
	"meterwright/record"
	"meterwright/site"
	"meterwright/visit"
)

// Bounds of what a form may hold.
const (
	maxForm    = 64 << 10
	maxUpload  = record.MaxAttachment + 1<<20
	maxEntered = 2000
	maxFields  = 200
)

// form is a form that was sent, with every text checked for what no text may hold.
type form struct {
	values url.Values
	files  map[string][]*multipart.FileHeader
}

// readForm reads an answer to a page. The error says what is wrong with it, in words for the
// person who sent it.
func readForm(w http.ResponseWriter, r *http.Request) (*form, error) {
	limit := int64(maxForm)
	many := strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data")
	if many {
		limit = maxUpload
	}
	r.Body = http.MaxBytesReader(w, r.Body, limit)
	var err error
	if many {
		err = r.ParseMultipartForm(1 << 20)
	} else {
		err = r.ParseForm()
	}
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return nil, senseless(fmt.Errorf("this is larger than %d MB: send a smaller photograph", limit>>20))
	}
	if err != nil {
		return nil, senseless(errors.New("the form did not arrive whole: send it again"))
	}
	f := &form{values: r.PostForm}
	if many && r.MultipartForm != nil {
		f.files = r.MultipartForm.File
	}
	n := 0
	for name, list := range f.values {
		for _, v := range list {
			if n++; n > maxFields {
				return nil, senseless(errors.New("the form has too many parts"))
			}
			if err := plain(v); err != nil {
				return nil, senseless(fmt.Errorf("%.40q: %w", name, err))
			}
		}
	}
	return f, nil
}

// plain refuses what no text of a record may hold: broken encoding, control characters, and
// characters that turn the direction of the text round.
func plain(s string) error {
	if len(s) > maxEntered {
		return fmt.Errorf("this is %d bytes long: keep it under %d", len(s), maxEntered)
	}
	if !utf8.ValidString(s) {
		return errors.New("this is not text: write it again")
	}
	if strings.ContainsFunc(s, func(r rune) bool {
		return r == '\uFFFD' || unicode.IsControl(r) || r == '\u2028' || r == '\u2029' || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
	}) {
		return errors.New("this has a line break or a character that cannot be seen: write it again on one line")
	}
	return nil
}

func (f *form) get(name string) string { return strings.TrimSpace(f.values.Get(name)) }

// reader turns forms into bodies. It decides nothing: it says what the person said.
type reader struct {
	f    *form
	e    *entry
	job  *jobs.Job
	h    *Handler
	now  time.Time
	keep []record.Attachment
}

// body returns what the form says.
func (r *reader) body() (visit.Body, error) {
	f := r.f
	entered, err := r.entered()
	if err != nil {
		return nil, err
	}
	switch visit.Kind(f.get("kind")) {
	case visit.KindTookUp:
		return r.tookUp(entered), nil
	case visit.KindChecked:
		b := visit.Checked{Item: f.get("item"), ID: f.get("id"), Due: f.get("due"), Found: f.get("found"), Note: f.get("note"), Entry: entered}
		if w, ok := r.job.Kit.Wear(b.Item, f.get("piece")); ok && f.get("piece") != "" {
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
		if t, ok := r.job.Kit.Tool(b.Kind, b.ID); ok && t.ProvedOn.Kind == b.Source.Kind {
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
		return visit.LeftOut{Step: f.get("step"), How: f.get("how"), Why: f.get("why"), Entry: entered}, need("why", f.get("why"), "say why it is left out")
	case visit.KindReturned:
		return visit.Returned{Step: f.get("step"), Why: f.get("why")}, nil
	case visit.KindWentAway:
		return visit.WentAway{Why: f.get("why")}, nil
	case visit.KindCameBack:
		return visit.CameBack{}, nil
	case visit.KindCorrected:
		return r.corrected()
	case visit.KindStopped:
		return visit.Stopped{Why: f.get("why")}, need("why", f.get("why"), "say in a few words why you stop")
	case visit.KindReported:
		to := f.get("to")
		if to == "other" {
			to = f.get("to_other")
		}
		return visit.Reported{To: to, Name: f.get("name"), Reference: f.get("reference"), Words: f.get("words")}, nil
	case visit.KindResumed:
		return visit.Resumed{Why: f.get("why")}, nil
	case visit.KindDefect:
		b := visit.Defect{Owner: f.get("owner"), Asset: f.get("asset"), Words: f.get("words"), Restricted: f.get("restricted") != "", Entry: entered}
		b.Scheme, b.Category, _ = strings.Cut(f.get("category"), "/")
		return b, need("asset", b.Asset, "name the part that is wrong")
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
		return visit.Photograph{Of: f.get("of"), Attachment: *a, Entry: entered}, need("of", f.get("of"), "say what the photograph shows")
	case visit.KindNoted:
		return visit.Noted{Words: f.get("words")}, nil
	case visit.KindAnswered:
		b := visit.Answered{Advice: f.get("advice"), Answer: f.get("answer"), Why: f.get("why")}
		if b.Answer == "set-aside" {
			return b, need("why", b.Why, "say in a few words why it is set aside")
		}
		return b, nil
	case visit.KindTakenOver:
		from := r.e.chains[r.e.last]
		return visit.TakenOver{Chain: from.Key.String(), Head: from.Head.String()}, nil
	case visit.KindEnded:
		return visit.Ended{Outcome: f.get("outcome"), Why: f.get("why"), Left: f.get("left"), Guarded: f.get("guarded")},
			need("left", f.get("left"), "say in what state things are left")
	case visit.KindSupplement:
		return visit.Supplement{Words: f.get("words")}, nil
	}
	return nil, fmt.Errorf("%.40q is no answer that a page gives: go back to the visit", f.get("kind"))
}

func need(_, value, words string) error {
	if value == "" {
		return errors.New(words)
	}
	return nil
}

// entered reads when it happened, for what is entered after its phase.
func (r *reader) entered() (visit.Entry, error) {
	if r.f.get("after") == "" {
		return visit.Entry{}, nil
	}
	at, err := happened(r.f.get("happened"), r.now)
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
func (r *reader) shows(class, number, unit, detail string) (instrument.Indication, error) {
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

func (r *reader) tookUp(entered visit.Entry) visit.Body {
	f := r.f
	b := visit.TookUp{Entry: entered}
	b.Instrument = visit.Instrument{Kind: instrument.Kind(f.get("with")), ID: f.get("id"), Due: f.get("due"), Leads: f.get("leads")}
	if t, ok := r.job.Kit.Tool(b.Instrument.Kind, f.get("tool")); ok && f.get("tool") != "" {
		b.Instrument = visit.Instrument{Kind: t.Kind, ID: t.ID, Due: t.Due, Leads: t.Leads}
	}
	return b
}

// recorded reads the fields of a step that records, photographs among them.
func (r *reader) recorded(entered visit.Entry) (visit.Body, error) {
	b := visit.Recorded{Step: r.f.get("step"), Entries: map[string]string{}, Entry: entered}
	s, _ := r.e.method().Step(b.Step)
	if s == nil || s.Record == nil {
		return nil, fmt.Errorf("step %.40q does not ask for entries", b.Step)
	}
	for _, fd := range s.Record.Fields {
		if fd.Type != "photograph" {
			if v := r.f.get("f." + fd.ID); v != "" {
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
func (r *reader) corrected() (visit.Body, error) {
	f := r.f
	b := visit.Corrected{Event: f.get("event"), Now: f.get("now"), Why: f.get("why")}
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
func (r *reader) picture(field string) (*visit.Attachment, error) {
	list := r.f.files[field]
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
	a, err := record.NewAttachment(media, content, r.h.salt(r.f.get("state")+"\n"+field, content))
	if err != nil {
		return nil, err
	}
	r.keep = append(r.keep, a)
	ref := a.Reference()
	return &visit.Attachment{ID: string(ref.ID), Media: ref.Media, Bytes: ref.Bytes}, nil
}
