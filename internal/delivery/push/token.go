package push

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
)

const (
	// assertionLife is how long a signed request for a token is good: SMART allows five
	// minutes at most.
	assertionLife = 4 * time.Minute
	// renewBefore is how long before its end a token is renewed.
	renewBefore = 30 * time.Second
	// unsaidLife is that of a token whose answer does not say it: SMART recommends five
	// minutes at most.
	unsaidLife = time.Minute
	// askPause is the shortest time between two requests when the first one failed.
	askPause = time.Second
	// tokenAnswer bounds the answer to a request for a token, in bytes.
	tokenAnswer = 64 << 10
)

// tokens holds the token of one destination. It is safe for concurrent use.
type tokens struct {
	o      OAuth
	key    jose.JSONWebKey
	signer jose.Signer
	http   *http.Client
	now    func() time.Time

	mu     sync.Mutex // held by the one who asks; the others wait for its answer
	token  string
	until  time.Time
	failed error
	again  time.Time // not asked before this after a failure
}

// newTokens reads the key. RS384 and ES384 are what SMART servers must take.
func newTokens(o OAuth, client *http.Client) (*tokens, error) {
	text, err := os.ReadFile(o.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("read the key: %w", err)
	}
	t := &tokens{o: o, http: client, now: time.Now}
	if err := json.Unmarshal(text, &t.key); err != nil || t.key.IsPublic() || !t.key.Valid() || t.key.KeyID == "" {
		return nil, errors.New("the key file holds no private JSON Web Key with a kid")
	}
	alg := jose.SignatureAlgorithm(t.key.Algorithm)
	if alg != jose.RS384 && alg != jose.ES384 {
		return nil, errors.New("the key's alg must be RS384 or ES384")
	}
	options := (&jose.SignerOptions{}).WithType("JWT")
	if t.signer, err = jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: t.key}, options); err != nil {
		return nil, errors.New("the key does not fit its alg")
	}
	return t, nil
}

// get gives a token that is good for a while, asking for one if need be.
func (t *tokens) get(ctx context.Context) (string, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.now()
	switch {
	case now.Before(t.until):
		return t.token, nil
	case now.Before(t.again):
		return "", t.failed
	}
	token, life, err := t.ask(ctx)
	if err != nil {
		t.failed, t.again = err, now.Add(askPause)
		return "", err
	}
	t.token, t.until = token, now.Add(life-min(renewBefore, life/4))
	return token, nil
}

// drop forgets a token that was not taken, so that the next one is a new one.
func (t *tokens) drop(token string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.token == token {
		t.until = time.Time{}
	}
}

func (t *tokens) ask(ctx context.Context) (token string, life time.Duration, err error) {
	assertion, err := t.assertion()
	if err != nil {
		return "", 0, err
	}
	form := url.Values{
		"grant_type":            {"client_credentials"},
		"scope":                 {t.o.Scope},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
		"client_assertion":      {assertion},
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, t.o.TokenURL, strings.NewReader(form.Encode()))
	if err != nil {
		return "", 0, errors.New("the token URL can't be called")
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "application/json")
	answer, err := t.http.Do(r)
	if err != nil {
		return "", 0, errors.New("the authorization server does not answer: " + because(err))
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(io.LimitReader(answer.Body, tokenAnswer))
	if err != nil {
		return "", 0, errors.New("the authorization server broke off its answer")
	}
	if answer.StatusCode != http.StatusOK {
		return "", 0, fmt.Errorf("the authorization server answered %d", answer.StatusCode)
	}
	var got struct {
		AccessToken string `json:"access_token"`
		TokenType   string `json:"token_type"`
		ExpiresIn   int64  `json:"expires_in"`
	}
	if json.Unmarshal(body, &got) != nil || got.AccessToken == "" || !strings.EqualFold(got.TokenType, "bearer") {
		return "", 0, errors.New("the authorization server gave no bearer token")
	}
	life = unsaidLife
	if got.ExpiresIn > 0 {
		life = time.Duration(min(got.ExpiresIn, int64(24*time.Hour/time.Second))) * time.Second
	}
	return got.AccessToken, life, nil
}

// assertion is the JWT that says who asks (RFC 7523 section 3), used once.
func (t *tokens) assertion() (string, error) {
	now := t.now()
	return jwt.Signed(t.signer).Claims(jwt.Claims{
		Issuer: t.o.ClientID, Subject: t.o.ClientID, Audience: jwt.Audience{t.o.TokenURL}, ID: rand.Text(),
		IssuedAt: jwt.NewNumericDate(now), Expiry: jwt.NewNumericDate(now.Add(assertionLife)),
	}).Serialize()
}
