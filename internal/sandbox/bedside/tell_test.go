package bedside

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What is stat is done first, whatever else is late.
func TestNextIsStatFirst(t *testing.T) {
	noon := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	tasks := []Task{
		{Key: "site-check/1", Code: "site-check", Status: "ready", Priority: "asap", Due: noon.Add(-time.Minute)},
		{Key: "restore-compression/1", Code: "restore-compression", Status: "ready", Priority: "stat", Planned: "3", Due: noon},
	}
	require.Equal(t, "NEXT, STAT: restore compression of 3 mL", next(tasks))
	require.Equal(t, "NEXT, ASAP: site check", next(tasks[:1]))
}
