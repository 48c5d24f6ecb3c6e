package main

import (
	"errors"

	"meterwright/internal/physics"
)

type departuresCommand struct{ physics.Departures }

func (c *departuresCommand) Run(s *streams) error { return modelled(c.Do(s.out)) }

type predictCommand struct{ physics.Predict }

func (c *predictCommand) Run(s *streams) error { return modelled(c.Do(s.out)) }

type netlistCommand struct{ physics.Netlist }

func (c *netlistCommand) Run(s *streams) error { return modelled(c.Do(s.out)) }

type diagnoseCommand struct{ physics.Diagnose }

func (c *diagnoseCommand) Run(s *streams) error { return modelled(c.Do(s.out)) }

// modelled gives an error of the model its exit code.
func modelled(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, physics.ErrRead):
		return unread(err)
	}
	return bad(err)
}
