//go:build race

package main

// buildFlags builds the real program with the race detector, as the test is.
func buildFlags() []string { return []string{"build", "-race"} }
