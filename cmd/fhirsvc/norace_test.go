//go:build !race

package main

// buildFlags builds the real program as it is shipped.
func buildFlags() []string { return []string{"build"} }
