package main

import (
	"errors"

	"meterwright/internal/physcmd"
)

type departuresCommand struct{ physcmd.Departures }

func (c *departuresCommand) Run(s *streams) error { return physics(c.Do(s.out)) }

type predictCommand struct{ physcmd.Predict }

func (c *predictCommand) Run(s *streams) error { return physics(c.Do(s.out)) }

type netlistCommand struct{ physcmd.Netlist }

func (c *netlistCommand) Run(s *streams) error { return physics(c.Do(s.out)) }

type diagnoseCommand struct{ physcmd.Diagnose }

func (c *diagnoseCommand) Run(s *streams) error { return physics(c.Do(s.out)) }

// physics gives an error of the model its exit code.
func physics(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, physcmd.ErrRead):
		return unread(err)
	}
	return bad(err)
}
