package field

import (
	"meterwright/say"
	"meterwright/visit"
)

// storyPage tells the story so far, with the brackets and the photographs.
type storyPage struct {
	visitFrame
	Lines    []storyLine
	Runs     []runView
	Proofs   []proofLine
	Pictures []pictureView
}

type proofLine struct{ Words, State, Undone string }

func (h *Handler) story(c *call) {
	f := c.file
	a := f.Visit.Account()
	p := storyPage{visitFrame: h.visitFrame(c, "field.story.title"), Runs: f.runs(), Pictures: f.pictures()}
	for i := range a.Story {
		if a.Story[i].Kind != visit.KindAdvised { // It has a page of its own.
			p.Lines = append(p.Lines, f.storyLine(&a.Story[i]))
		}
	}
	for i := range a.Proofs {
		x := &a.Proofs[i]
		line := proofLine{Words: p.Say("field.capital", "words", f.words.Proof(x.ID)), State: f.words.ProofState(x)}
		if n := len(x.Undone); n > 0 && x.State != visit.ProofHolds {
			line.Undone = f.words.Undone(&x.Undone[n-1])
		}
		p.Proofs = append(p.Proofs, line)
	}
	c.write(p.Page())
}

// storyLine is a line of the story. One that was corrected stands as it was made, with what was said
// of it later beside it.
func (f *casefile) storyLine(l *visit.Line) storyLine {
	a := f.Visit.Account()
	s := storyLine{At: say.Clock(l.At), Words: f.words.Line(a, l)}
	if l.Happened != "" {
		s.Beside = append(s.Beside, f.words.Happened(l.Happened))
	}
	for i := range a.Corrections {
		if x := &a.Corrections[i]; x.Of == l.Event {
			_, now := f.words.Correction(a, x)
			s.Beside = append(s.Beside, f.words.Say("field.story.corrected", "at", x.At, "now", now))
		}
	}
	return s
}
