package main

import (
	"bytes"
	"errors"
	"io"

	"meterwright/internal/physics"
)

type departuresCommand struct{ physics.Departures }

func (c *departuresCommand) Run(s *streams) error { return s.physics(c.Do, &c.Site) }

type predictCommand struct{ physics.Predict }

func (c *predictCommand) Run(s *streams) error { return s.physics(c.Do, &c.Site) }

type netlistCommand struct{ physics.Netlist }

func (c *netlistCommand) Run(s *streams) error { return s.physics(c.Do, &c.Site) }

type diagnoseCommand struct{ physics.Diagnose }

func (c *diagnoseCommand) Run(s *streams) error { return s.physics(c.Do, &c.Site, &c.Seen) }

// physics gives the errors of the model their exit code. Each file is
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
	case errors.Is(err, physics.ErrRead):
		return unread(err)
	case err != nil:
		return bad(err)
	}
	return s.document(b.Bytes())
}
