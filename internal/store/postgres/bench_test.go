package postgres_test

import (
	"fmt"
	"testing"

	"fhirsvc/internal/store/storetest"
)

// BenchmarkCommit compares Commit with the same rows written bare.
func BenchmarkCommit(b *testing.B) {
	for _, load := range []struct{ writers, group int }{{1, 1}, {8, 1}, {1, 10}, {4, 10}} {
		name := fmt.Sprintf("%d writers of %d", load.writers, load.group)
		b.Run(name, func(b *testing.B) { storetest.BenchmarkCommit(b, mustOpen(b).Commit, load.writers, load.group) })
		b.Run(name+", bare", func(b *testing.B) { storetest.BenchmarkCommit(b, mustOpen(b).CommitBare, load.writers, load.group) })
	}
}
