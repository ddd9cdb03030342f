package main

import (
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestCollectSeldomUnlessTold(t *testing.T) {
	before := debug.SetGCPercent(77)
	defer debug.SetGCPercent(before)
	collectSeldom(func(string) string { return "50" })
	require.Equal(t, 77, debug.SetGCPercent(77), "GOGC is Go's own to read")
	collectSeldom(func(string) string { return "" })
	require.Equal(t, garbage, debug.SetGCPercent(77))
}
