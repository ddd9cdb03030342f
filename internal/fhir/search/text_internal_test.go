package search

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The short way for ASCII gives what Unicode's own tables give (normalization:
// unicode.org/reports/tr15, folding: unicode.org/Public/UCD/latest/ucd/CaseFolding.txt).
func TestFoldASCII(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := string(rapid.SliceOf(rapid.ByteRange(0, 0x7f)).Draw(t, "text"))
		require.Equal(t, foldAny(text), fold(text))
	})
}
