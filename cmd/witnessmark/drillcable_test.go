package main

import "testing"

// The cable between a bench box and its shop is pulled for an hour.
func TestDrillCable(t *testing.T) { drilled(t, runCable, 1) }
