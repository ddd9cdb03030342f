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

// seal gives the cursor that holds a place in one list, named by its address.
func (s *server) seal(list string, at any) string {
	return base64.RawURLEncoding.EncodeToString(s.paging.Seal(nil, nil, encode(at), []byte(list)))
}

// open reads a cursor; one that was changed or is of another list is refused.
func (s *server) open(list, text string, at any) error {
	sealed, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return badCursor()
	}
	plain, err := s.paging.Open(nil, nil, sealed, []byte(list))
	if err != nil || json.Unmarshal(plain, at) != nil {
		return badCursor()
	}
	return nil
}

func badCursor() error {
	return outcome.Fail(outcome.CodeInvalid, "", "this is not a link of this service, or its key has changed: search again")
}
