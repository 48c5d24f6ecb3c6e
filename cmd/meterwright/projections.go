package main

import (
	"errors"
	"os"

	"meterwright/internal/progress"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/terminal"
)

type projectionsCommands struct {
	Rebuild projectionsRebuild `cmd:"" help:"Make every summary anew from the records. May be broken off and begun again." exits:"0 made anew|2 the folder cannot be used"`
}

type projectionsRebuild struct {
	Data string `help:"The office's folder." required:"" placeholder:"DIR"`
	asJSON
}

func (c *projectionsRebuild) Run(s *streams) error {
	// Opening a store makes one where there is none, and a mistyped name is likelier here.
	if _, err := os.Stat(c.Data); err != nil {
		return plain(c.Data, err)
	}
	st, err := sqlite.Open(s.ctx, c.Data, store.Options{Projector: &summary.Projector{}})
	if err != nil {
		return unread(err)
	}
	line := progress.New(os.Stderr, s.words.Say("terminal.progress.visits"))
	var last store.RebuildProgress
	err = st.Rebuild(s.ctx, func(p store.RebuildProgress) {
		last = p
		line.Show(p.Done, p.Visits)
	})
	line.Done()
	if err = errors.Join(err, st.Close()); err != nil {
		return unread(err)
	}
	return s.show(struct {
		Visits int64 `json:"visits"`
	}{last.Done}, func(t *terminal.Text) { t.Put(0, "terminal.rebuilt", "n", int(last.Done)) })
}
