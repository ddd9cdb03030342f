package validate

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Language tags are those of BCP 47 (RFC 5646 section 2.1), MIME types those of RFC 6838.
func TestCodesFromGrammars(t *testing.T) {
	t.Parallel()
	for tag, want := range map[string]bool{
		"de": true, "de-CH": true, "zh-Hant-TW": true, "sl-rozaj-biske": true, "x-private": true, "i-klingon": true, "de-419": true,
		"d": false, "de_CH": false, "de-": false, "-de": false, "": false, "4e": false, "toolonglang": false, "de-toolongpart": false,
	} {
		require.Equal(t, want, isLanguage(tag), tag)
	}
	for mime, want := range map[string]bool{
		"text/plain": true, "application/fhir+json": true, "text/plain; charset=utf-8": true, "image/vnd.x-y.z+xml": true,
		"text": false, "/plain": false, "text/": false, "text /plain": false, "te(xt/plain": false, "": false, "text/; a": false,
	} {
		require.Equal(t, want, isMIME(mime), mime)
	}
}
