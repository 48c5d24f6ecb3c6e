package main

import (
	"bytes"
	"encoding/json/jsontext"
	"errors"
	"io"

	"meterwright/internal/physcmd"
)

type departuresCommand struct{ physcmd.Departures }

func (c *departuresCommand) Run(s *streams) error { return s.physics(c.Do, &c.Site) }

type predictCommand struct{ physcmd.Predict }

func (c *predictCommand) Run(s *streams) error { return s.physics(c.Do, &c.Site) }

type netlistCommand struct{ physcmd.Netlist }

func (c *netlistCommand) Run(s *streams) error { return s.physics(c.Do, &c.Site) }

type diagnoseCommand struct{ physcmd.Diagnose }

func (c *diagnoseCommand) Run(s *streams) error { return s.physics(c.Do, &c.Site, &c.Seen) }

// physics gives what the model says its envelope, and its errors their exit code. Each file is
// opened here first, so that one that cannot be is told of as everywhere else.
func (s *streams) physics(do func(io.Writer) error, files ...*string) error {
	for _, name := range files {
		f, err := s.open(*name)
		if err != nil {
			return err
		}
		if err := f.Close(); err != nil {
			return unread(err)
		}
		if *name == standard {
			*name = "/dev/stdin"
		}
	}
	var b bytes.Buffer
	err := do(&b)
	switch {
	case errors.Is(err, physcmd.ErrRead):
		return unread(err)
	case err != nil:
		return bad(err)
	case s.json:
		return s.show(jsontext.Value(b.Bytes()), nil)
	}
	return s.document(b.Bytes())
}
