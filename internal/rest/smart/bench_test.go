package smart_test

import (
	"testing"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/rest/smart/smarttest"
)

// What a token costs each request.
func BenchmarkVerify(b *testing.B) {
	i := smarttest.NewIssuer(b)
	v := verifier(i)
	for name, token := range map[string]string{
		"ES384": i.Token(nil),
		"RS384": i.Sign(jose.RS384, i.RSA, map[string]any{"kid": "rsa-1"}, i.Claims(nil)),
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				_, err := v.Verify(b.Context(), token)
				require.NoError(b, err)
			}
		})
	}
}
