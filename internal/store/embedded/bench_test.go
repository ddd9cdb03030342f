package embedded_test

import (
	"testing"

	"fhirsvc/internal/store/storetest"
)

func BenchmarkCommit(b *testing.B) {
	b.Run("one", func(b *testing.B) { storetest.BenchmarkCommit(b, mustOpen(b, b.TempDir()).Commit, 1, 1) })
	b.Run("group of 10", func(b *testing.B) { storetest.BenchmarkCommit(b, mustOpen(b, b.TempDir()).Commit, 1, 10) })
}
