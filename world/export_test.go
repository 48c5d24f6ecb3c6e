package world

import "meterwright/circuit"

// Workspace gives tests the numbers of a world.
func Workspace(w *World) *circuit.Workspace { return w.ws }
