package rest

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
)

// cursorParam holds the place of another page. It stands alone: the filters are in it.
const cursorParam = "_cursor"

// place is what a cursor holds: the query as it was applied, when it was asked first, and
// where it goes on, or Back.
type place struct {
	Query string       `json:"q"`
	Asked time.Time    `json:"t"`
	Keys  []search.Key `json:"s,omitempty"`
	ID    string       `json:"i"`
	Back  bool         `json:"b,omitempty"`
}

// newPaging makes the seal of cursors. They are encrypted, not only signed: a search by
// POST keeps identifiers out of URLs, and its "next" is a URL.
func newPaging(key []byte) cipher.AEAD {
	if len(key) == 0 {
		key = make([]byte, 32)
		if _, err := rand.Read(key); err != nil {
			panic(fmt.Errorf("rest: no randomness: %w", err))
		}
	}
	sum := sha256.Sum256(key)
	block, err := aes.NewCipher(sum[:])
	if err != nil {
		panic(fmt.Errorf("rest: 32 bytes are a key: %w", err))
	}
	aead, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		panic(fmt.Errorf("rest: AES is a block cipher of 16 bytes: %w", err))
	}
	return aead
}

// seal gives the cursor of a place in the results of one type.
func (s *server) seal(resourceType string, at place) string {
	return base64.RawURLEncoding.EncodeToString(s.paging.Seal(nil, nil, encode(at), []byte(resourceType)))
}

// open reads a cursor; one that was changed or is of another type is refused.
func (s *server) open(resourceType, text string) (place, error) {
	var p place
	sealed, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return p, badCursor()
	}
	plain, err := s.paging.Open(nil, nil, sealed, []byte(resourceType))
	if err != nil || json.Unmarshal(plain, &p) != nil {
		return p, badCursor()
	}
	return p, nil
}

func badCursor() error {
	return outcome.Fail(outcome.CodeInvalid, "", "this is not a link of this service, or its key has changed: search again")
}
