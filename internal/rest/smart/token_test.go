package smart_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest/smart"
	"fhirsvc/internal/rest/smart/smarttest"
)

func verifier(i *smarttest.Issuer) *smart.Verifier {
	return smart.NewVerifier(smart.VerifierOptions{
		Issuer: i.URL, Audience: smarttest.Audience, UnitsClaim: "fhirsvc_units",
		Keys: smart.NewKeys(smart.KeyOptions{URL: i.JWKS}),
	})
}

func TestSoundTokens(t *testing.T) {
	t.Parallel()
	i := smarttest.NewIssuer(t)
	v := verifier(i)
	now := time.Now()
	seconds := func(d time.Duration) int64 { return now.Add(d).Unix() }
	tests := map[string]string{
		"ES384":                    i.Token(nil),
		"RS384":                    i.Sign(jose.RS384, i.RSA, map[string]any{"kid": "rsa-1", "typ": "JWT"}, i.Claims(nil)),
		"no type":                  i.Sign(jose.ES384, i.EC, map[string]any{"kid": "ec-1"}, i.Claims(nil)),
		"one of several audiences": i.Token(smarttest.Claims{"aud": []string{"https://other.example", smarttest.Audience}}),
		"expired within the skew":  i.Token(smarttest.Claims{"exp": seconds(-30 * time.Second)}),
		"early within the skew":    i.Token(smarttest.Claims{"nbf": seconds(30 * time.Second), "iat": seconds(30 * time.Second)}),
	}
	for name, token := range tests {
		t.Run(name, func(t *testing.T) {
			caller, err := v.Verify(t.Context(), token)
			require.NoError(t, err)
			require.Equal(t, "ward-screens", caller.Client.ID)
			require.Empty(t, caller.Client.User, "a system acts for itself")
			require.True(t, caller.Client.Units.All())
			require.NoError(t, caller.Scopes.Check("Task", smart.Update))
		})
	}
}

func TestWhoTheTokenSpeaksFor(t *testing.T) {
	t.Parallel()
	i := smarttest.NewIssuer(t)
	v := verifier(i)
	caller, err := v.Verify(t.Context(), i.Token(smarttest.Claims{
		"sub": "u-204", "client_id": nil, "azp": "charting", "jti": "t-9", "fhirsvc_units": []string{"urn:u|a", "urn:u|b"},
	}))
	require.NoError(t, err)
	require.Equal(t, episode.Client{
		ID: "charting", User: "u-204", Issuer: i.URL, Token: "t-9", Units: episode.UnitsOf("urn:u|a", "urn:u|b"),
	}, caller.Client)

	caller, err = v.Verify(t.Context(), i.Token(smarttest.Claims{"fhirsvc_units": nil, "scope": nil}))
	require.NoError(t, err)
	require.Equal(t, episode.Units{}, caller.Client.Units, "who is granted no unit has none")
	require.Error(t, caller.Scopes.Check("Task", smart.Read), "who is granted no scope has none")
}

// attack is a token that must be refused.
type attack struct {
	name, source, token string
	want                outcome.Code
}

// The attacks that RFC 8725 lists (section numbers), and the checks of RFC 7519 section
// 4.1, RFC 9068 section 4 and SMART App Launch 2.2 (asymmetric: RS384 and ES384 alone).
func attacks(t *testing.T, i *smarttest.Issuer) []attack {
	t.Helper()
	claims := i.Claims(nil)
	es := map[string]any{"kid": "ec-1"}
	other, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	p256, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	public, err := x509.MarshalPKIXPublicKey(i.RSA.Public())
	require.NoError(t, err)
	publicPEM := pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: public})
	at := func(d time.Duration) int64 { return time.Now().Add(d).Unix() }
	good := i.Token(nil)
	parts := strings.Split(good, ".")
	body, err := json.Marshal(claims)
	require.NoError(t, err)
	return []attack{
		{"empty", "RFC 7519 7.2", "", outcome.CodeUnknown},
		{"not a token", "RFC 7519 7.2", "Canary4711", outcome.CodeUnknown},
		{"alg none", "RFC 8725 2.1, 3.2", raw(`{"alg":"none","kid":"ec-1"}`, string(body), ""), outcome.CodeUnknown},
		{"alg nOnE", "RFC 8725 2.1", raw(`{"alg":"nOnE","kid":"ec-1"}`, string(body), ""), outcome.CodeUnknown},
		{"alg none with the old signature", "RFC 8725 2.1", raw(`{"alg":"none","kid":"ec-1"}`, string(body), parts[2]), outcome.CodeUnknown},
		{"no alg", "RFC 7515 4.1.1", raw(`{"kid":"ec-1"}`, string(body), parts[2]), outcome.CodeUnknown},
		{"HMAC with the public key", "RFC 8725 2.1, 3.1", i.Sign(jose.HS384, publicPEM, map[string]any{"kid": "rsa-1"}, claims), outcome.CodeUnknown},
		{"HMAC with the key's bytes", "RFC 8725 2.1", i.Sign(jose.HS256, []byte(strings.Repeat("k", 32)), es, claims), outcome.CodeUnknown},
		{"RS256", "SMART 2.2", i.Sign(jose.RS256, i.RSA, map[string]any{"kid": "rsa-1"}, claims), outcome.CodeUnknown},
		{"PS384", "SMART 2.2", i.Sign(jose.PS384, i.RSA, map[string]any{"kid": "rsa-1"}, claims), outcome.CodeUnknown},
		{"ES256", "SMART 2.2", i.Sign(jose.ES256, p256, es, claims), outcome.CodeUnknown},
		{"the RSA key's id with ES384", "RFC 8725 3.1", i.Sign(jose.ES384, i.EC, map[string]any{"kid": "rsa-1"}, claims), outcome.CodeUnknown},
		{"another one's key", "RFC 8725 3.3", i.Sign(jose.ES384, other, es, claims), outcome.CodeUnknown},
		{"a key in the header", "RFC 8725 3.10", i.Sign(jose.ES384, other, map[string]any{"jwk": jose.JSONWebKey{Key: other.Public()}}, claims), outcome.CodeUnknown},
		{"a URL of keys in the header", "RFC 8725 2.9, 3.10", i.Sign(jose.ES384, other, map[string]any{"kid": "x", "jku": "http://127.0.0.1:1/"}, claims), outcome.CodeUnknown},
		{"a path as key id", "RFC 8725 2.9, 3.10", i.Sign(jose.ES384, other, map[string]any{"kid": "../../etc/passwd"}, claims), outcome.CodeUnknown},
		{"a statement as key id", "RFC 8725 2.9, 3.10", i.Sign(jose.ES384, other, map[string]any{"kid": "' OR '1'='1"}, claims), outcome.CodeUnknown},
		{"no key id", "RFC 7515 4.1.4", i.Sign(jose.ES384, i.EC, nil, claims), outcome.CodeUnknown},
		{"changed claims", "RFC 8725 3.3", parts[0] + "." + base64.RawURLEncoding.EncodeToString(body) + "x." + parts[2], outcome.CodeUnknown},
		{"no signature", "RFC 8725 3.3", parts[0] + "." + parts[1] + ".", outcome.CodeUnknown},
		{"a signature of zeros", "RFC 8725 3.3 (CVE-2022-21449)", parts[0] + "." + parts[1] + "." + base64.RawURLEncoding.EncodeToString(make([]byte, 96)), outcome.CodeUnknown},
		{"an unknown critical header", "RFC 7515 4.1.11", i.Sign(jose.ES384, i.EC, map[string]any{"kid": "ec-1", "crit": []string{"x"}, "x": 1}, claims), outcome.CodeUnknown},
		{"encrypted", "RFC 8725 2.5", strings.Repeat("e30.", 4) + "e30", outcome.CodeUnknown},
		{"an ID token's type", "RFC 8725 2.8, 3.11", i.Sign(jose.ES384, i.EC, map[string]any{"kid": "ec-1", "typ": "logout+jwt"}, claims), outcome.CodeUnknown},
		{"a type that is no text", "RFC 8725 3.11", i.Sign(jose.ES384, i.EC, map[string]any{"kid": "ec-1", "typ": 7}, claims), outcome.CodeUnknown},
		{"another issuer", "RFC 8725 2.7, 3.8", i.Token(smarttest.Claims{"iss": "https://issuer.example/"}), outcome.CodeUnknown},
		{"no issuer", "RFC 9068 4", i.Token(smarttest.Claims{"iss": nil}), outcome.CodeUnknown},
		{"another audience", "RFC 8725 2.7, 3.9", i.Token(smarttest.Claims{"aud": "https://other.example/fhir"}), outcome.CodeUnknown},
		{"no audience", "RFC 8725 3.9", i.Token(smarttest.Claims{"aud": nil}), outcome.CodeUnknown},
		{"an audience that is none", "RFC 7519 4.1.3", i.Token(smarttest.Claims{"aud": 7}), outcome.CodeUnknown},
		{"expired", "RFC 7519 4.1.4", i.Token(smarttest.Claims{"exp": at(-2 * time.Minute)}), outcome.CodeExpired},
		{"no expiry", "RFC 9068 2.2", i.Token(smarttest.Claims{"exp": nil}), outcome.CodeUnknown},
		{"an expiry that overflows", "RFC 7519 2", i.Sign(jose.ES384, i.EC, es, []byte(strings.Replace(string(body), `"exp":`, `"exp":1e300,"e":`, 1))), outcome.CodeUnknown},
		{"an expiry that is a text", "RFC 7519 2", i.Token(smarttest.Claims{"exp": "tomorrow"}), outcome.CodeUnknown},
		{"not yet", "RFC 7519 4.1.5", i.Token(smarttest.Claims{"nbf": at(2 * time.Minute)}), outcome.CodeUnknown},
		{"issued in the future", "RFC 7519 4.1.6", i.Token(smarttest.Claims{"iat": at(2 * time.Minute)}), outcome.CodeUnknown},
		{"no time of issue", "RFC 9068 2.2", i.Token(smarttest.Claims{"iat": nil}), outcome.CodeUnknown},
		{"no client", "RFC 9068 2.2", i.Token(smarttest.Claims{"client_id": nil, "sub": nil}), outcome.CodeUnknown},
		{"a client with a line end", "RFC 8725 3.10", i.Token(smarttest.Claims{"client_id": "x\ny"}), outcome.CodeUnknown},
		{"a user's name as its id", "RFC 8725 3.10", i.Token(smarttest.Claims{"sub": "Jane Doe"}), outcome.CodeUnknown},
		{"a member twice", "RFC 7519 4", i.Sign(jose.ES384, i.EC, es, []byte(strings.Replace(string(body), `"iss":`, `"iss":"https://other.example","iss":`, 1))), outcome.CodeUnknown},
		{"claims that are no object", "RFC 7519 7.2", i.Sign(jose.ES384, i.EC, es, []byte(`[1]`)), outcome.CodeUnknown},
		{"units that are none", "ADR 0059", i.Token(smarttest.Claims{"fhirsvc_units": 7}), outcome.CodeUnknown},
		{"units that are no identifiers", "ADR 0059", i.Token(smarttest.Claims{"fhirsvc_units": []string{"ward"}}), outcome.CodeUnknown},
		{"too long", "RFC 8725 3.10", i.Token(smarttest.Claims{"x": strings.Repeat("x", 8<<10)}), outcome.CodeUnknown},
	}
}

func raw(header, body, signature string) string {
	e := base64.RawURLEncoding
	return e.EncodeToString([]byte(header)) + "." + e.EncodeToString([]byte(body)) + "." + signature
}

func TestAttacksAreRefused(t *testing.T) {
	t.Parallel()
	i := smarttest.NewIssuer(t)
	v := verifier(i)
	for _, a := range attacks(t, i) {
		t.Run(a.name, func(t *testing.T) {
			caller, err := v.Verify(t.Context(), a.token)
			require.Error(t, err, a.source)
			require.Equal(t, a.want, outcome.KindOf(err), a.source)
			require.Zero(t, caller, "nobody is named whose token is not sound")
			if len(a.token) > 20 {
				require.NotContains(t, err.Error(), a.token[:20])
			}
		})
	}
	_, err := v.Verify(t.Context(), i.Token(nil))
	require.NoError(t, err, "the issuer's own token is still taken")
}

// Keys that are too weak, of other curves, secret, or for another use are never used
// (RFC 8725 3.5; RFC 7518 3.3; RFC 7517 4.2, 4.4).
func TestUnfitKeysAreLeftOut(t *testing.T) {
	t.Parallel()
	short, err := rsa.GenerateKey(rand.Reader, 1024)
	require.NoError(t, err)
	i := smarttest.NewIssuer(t)
	p256, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	for name, key := range map[string]jose.JSONWebKey{
		"short RSA":       {Key: short.Public(), KeyID: "ec-1"},
		"another curve":   {Key: p256.Public(), KeyID: "ec-1"},
		"secret":          {Key: []byte("secret"), KeyID: "ec-1"},
		"private":         {Key: i.EC, KeyID: "ec-1"},
		"for encryption":  {Key: i.EC.Public(), KeyID: "ec-1", Use: "enc"},
		"for another alg": {Key: i.EC.Public(), KeyID: "ec-1", Algorithm: "ES512"},
		"without an id":   {Key: i.EC.Public()},
	} {
		t.Run(name, func(t *testing.T) {
			i.Publish(key)
			_, err := verifier(i).Verify(t.Context(), i.Token(nil))
			require.Equal(t, outcome.CodeUnknown, outcome.KindOf(err))
		})
	}
}

// A token that was taken once is looked at anew: it expires, and dies with its key, also
// when another key comes under the same id.
func TestATokenThatWasTakenIsLookedAtAnew(t *testing.T) {
	t.Parallel()
	i, c := smarttest.NewIssuer(t), &clock{at: time.Now()}
	v := smart.NewVerifier(smart.VerifierOptions{
		Issuer: i.URL, Audience: smarttest.Audience, Keys: smart.NewKeys(smart.KeyOptions{URL: i.JWKS, Now: c.now}), Now: c.now,
	})
	token := i.Token(smarttest.Claims{"exp": time.Now().Add(time.Hour).Unix()})
	for range 3 {
		_, err := v.Verify(t.Context(), token)
		require.NoError(t, err)
	}
	parts := strings.Split(token, ".")
	_, err := v.Verify(t.Context(), parts[0]+"."+parts[1]+"."+base64.RawURLEncoding.EncodeToString(make([]byte, 96)))
	require.Equal(t, outcome.CodeUnknown, outcome.KindOf(err), "the same claims under another signature")
	other, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	i.Publish(jose.JSONWebKey{Key: other.Public(), KeyID: "ec-1"})
	c.turn(5 * time.Minute)
	_, err = v.Verify(t.Context(), token)
	require.Equal(t, outcome.CodeUnknown, outcome.KindOf(err), "another key came under the same id")
	i.Publish(jose.JSONWebKey{Key: i.EC.Public(), KeyID: "ec-1"})
	c.turn(5 * time.Minute)
	_, err = v.Verify(t.Context(), token)
	require.NoError(t, err)
	c.turn(2 * time.Hour)
	_, err = v.Verify(t.Context(), token)
	require.Equal(t, outcome.CodeExpired, outcome.KindOf(err))
}

// FuzzVerify: no text makes a caller, and none a panic.
func FuzzVerify(f *testing.F) {
	i := smarttest.NewIssuer(f)
	v := verifier(i)
	f.Add(raw(`{"alg":"none"}`, `{}`, ""))
	f.Add(raw(`{"alg":"ES384","kid":"ec-1"}`, `{"iss":"x"}`, strings.Repeat("A", 128)))
	f.Fuzz(func(t *testing.T, token string) {
		_, err := v.Verify(t.Context(), token)
		require.Error(t, err)
	})
}
