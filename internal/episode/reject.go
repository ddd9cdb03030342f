package episode

import (
	"context"
	"encoding/json"
	"fmt"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// rejectedSubject is where rejected events are told.
const rejectedSubject = "fhirsvc.rejected.procedure"

// longestOriginal is how much of a message that is too long is kept.
const longestOriginal = 64 << 10

// Rejection is the body of a rejected event. Original is base64; of a message that is
// too long its beginning, with the digest and the size of the whole.
type Rejection struct {
	Reason      json.RawMessage `json:"reason"`
	ContentType string          `json:"contentType,omitempty"`
	Original    []byte          `json:"original"`
	Truncated   bool            `json:"truncated,omitempty"`
	SHA256      string          `json:"sha256,omitempty"`
	Size        int             `json:"size,omitempty"`
}

// Reject stores a message that was rejected, with the reason, in the outbox. The same
// message rejected for the same reason is told once. Its errors are the store's.
func (s *Service) Reject(ctx context.Context, m Message, reason error) error {
	r := Rejection{Reason: outcome.JSONOf(reason), ContentType: m.ContentType, Original: m.Body}
	sum := digest(m.Body)
	if len(m.Body) > MaxMessage {
		r.Original, r.Truncated, r.SHA256, r.Size = m.Body[:longestOriginal], true, sum, len(m.Body)
	}
	body, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("encode rejection: %w", err)
	}
	id := "rejected/" + digest(append([]byte(sum), r.Reason...))
	c := store.Changeset{
		Inbox: &store.Inbox{Source: "rejected", ID: id, Digest: sum, At: s.Now(), Position: m.Position},
		Outbox: []store.Outbox{{
			Partition: partition(id), Subject: rejectedSubject, MessageID: id, Body: body,
			Headers: map[string]string{"Nats-Msg-Id": id},
		}},
	}
	_, err = s.Store.Commit(ctx, []store.Changeset{c})
	return err
}
