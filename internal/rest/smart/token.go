package smart

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
)

const (
	// Skew is how far clocks may differ.
	Skew = time.Minute
	// longestToken bounds a token in bytes; those of SMART are a tenth of it.
	longestToken = 8 << 10
	// longestName bounds the client's and the user's id in bytes.
	longestName = 200
	// mostUnits bounds the units of a client that is not granted all.
	mostUnits = 100
	// allUnits grants all units, said outright.
	allUnits = "*"
)

// Caller is who a token speaks for, and what it may do.
type Caller struct {
	Client episode.Client
	Scopes Scopes
}

// VerifierOptions say whose tokens are taken. All but Now must be set.
type VerifierOptions struct {
	Issuer   string // iss, compared byte for byte
	Audience string // one of aud
	// UnitsClaim names the claim with the client's units: a list of identifier tokens
	// (system|value), or "*".
	UnitsClaim string
	Keys       *Keys
	// Now is the real time; nil takes time.Now.
	Now func() time.Time
}

// Verifier checks access tokens (JWT, RFC 9068) as RFC 8725 asks.
type Verifier struct {
	o      VerifierOptions
	proven proven
}

// NewVerifier returns a verifier.
func NewVerifier(o VerifierOptions) *Verifier {
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Verifier{o: o}
}

// Verify says who a token speaks for. Its errors are expired for a sound token whose time
// is over, transient when the issuer's keys can't be had, and unknown for all else; they
// tell nothing of the token.
func (v *Verifier) Verify(ctx context.Context, token string) (Caller, error) {
	if len(token) > longestToken {
		return Caller{}, refused("the token is longer than %d bytes", longestToken)
	}
	parsed, err := jwt.ParseSigned(token, []jose.SignatureAlgorithm{jose.RS384, jose.ES384})
	if err != nil || len(parsed.Headers) != 1 {
		return Caller{}, refused("the token is not a JWT signed with RS384 or ES384")
	}
	header := parsed.Headers[0]
	if !isAccessToken(header) {
		return Caller{}, refused("the token is of another type than an access token")
	}
	key, err := v.o.Keys.find(ctx, keyName{header.KeyID, jose.SignatureAlgorithm(header.Algorithm)})
	if err != nil {
		return Caller{}, err
	}
	var standard jwt.Claims
	var own claims
	var all map[string]json.RawMessage
	if err := v.read(parsed, token, key, &standard, &own, &all); err != nil {
		return Caller{}, refused("the token's signature or its claims are not sound")
	}
	if err := v.check(standard); err != nil {
		return Caller{}, err
	}
	return v.caller(standard, own, all[v.o.UnitsClaim])
}

// read checks the signature, once for a token and key, and reads the claims.
func (v *Verifier) read(parsed *jwt.JSONWebToken, token string, key any, into ...any) error {
	if v.proven.by(token, key) {
		return parsed.UnsafeClaimsWithoutVerification(into...)
	}
	err := parsed.Claims(key, into...)
	if err == nil {
		v.proven.keep(token, key)
	}
	return err
}

// claims are those beside the registered ones (RFC 9068 section 2.2).
type claims struct {
	ClientID        string `json:"client_id"`
	AuthorizedParty string `json:"azp"`
	Scope           string `json:"scope"`
}

// isAccessToken reads the type of the token (RFC 8725 section 3.11): one that says that
// it is something else, such as a logout token, is not taken. Many issuers say JWT alone.
func isAccessToken(h jose.Header) bool {
	typ, told := h.ExtraHeaders[jose.HeaderType]
	if !told {
		return true
	}
	text, _ := typ.(string)
	switch strings.TrimPrefix(strings.ToLower(text), "application/") {
	case "jwt", "at+jwt":
		return true
	}
	return false
}

// check holds the registered claims to what is expected (RFC 7519 section 4.1).
func (v *Verifier) check(c jwt.Claims) error {
	if c.Expiry == nil || c.IssuedAt == nil {
		return refused("the token does not say when it was issued and when it expires")
	}
	err := c.ValidateWithLeeway(jwt.Expected{
		Issuer: v.o.Issuer, AnyAudience: jwt.Audience{v.o.Audience}, Time: v.o.Now(),
	}, Skew)
	switch {
	case errors.Is(err, jwt.ErrExpired):
		return outcome.Fail(outcome.CodeExpired, "verify token", "the token has expired")
	case err != nil:
		return refused("the token is not valid yet, or from another issuer or for another audience")
	}
	return nil
}

// caller reads who it is. A client without units sees nothing of any unit.
func (v *Verifier) caller(c jwt.Claims, own claims, units json.RawMessage) (Caller, error) {
	id := own.ClientID
	if id == "" {
		id = own.AuthorizedParty
	}
	if id == "" {
		id = c.Subject
	}
	if !isName(id) || c.Subject != "" && !isName(c.Subject) {
		return Caller{}, refused("the token does not name its client as client_id, azp or sub")
	}
	client := episode.Client{ID: id, Issuer: c.Issuer}
	if isName(c.ID) {
		client.Token = c.ID
	}
	if c.Subject != id {
		client.User = c.Subject
	}
	var err error
	if client.Units, err = readUnits(units); err != nil {
		return Caller{}, err
	}
	return Caller{Client: client, Scopes: ParseScopes(own.Scope)}, nil
}

// isName reports whether a text can stand in a record: not empty, not long, and of
// printable ASCII without spaces.
func isName(text string) bool {
	for _, c := range []byte(text) {
		if c <= ' ' || c > '~' {
			return false
		}
	}
	return text != "" && len(text) <= longestName
}

// readUnits reads the units claim: a text or a list of texts. "*" grants all.
func readUnits(raw json.RawMessage) (episode.Units, error) {
	if raw == nil {
		return episode.Units{}, nil
	}
	var list []string
	if err := json.Unmarshal(raw, &list); err != nil {
		var one string
		if json.Unmarshal(raw, &one) != nil {
			return episode.Units{}, refused("the token's units are not a list of identifiers")
		}
		list = []string{one}
	}
	if len(list) > mostUnits {
		return episode.Units{}, refused("the token names more than %d units", mostUnits)
	}
	for _, unit := range list {
		switch {
		case unit == allUnits:
			return episode.AllUnits(), nil
		case !strings.Contains(unit, "|"):
			return episode.Units{}, refused("the token's units are not identifiers, system|value")
		}
	}
	return episode.UnitsOf(list...), nil
}

func refused(format string, args ...any) error {
	return outcome.Fail(outcome.CodeUnknown, "verify token", format, args...)
}
