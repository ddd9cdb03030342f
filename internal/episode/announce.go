package episode

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"strconv"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/store"
)

// change is the body of a change event.
type change struct {
	Type        string          `json:"type"`
	ID          string          `json:"id"`
	VersionID   string          `json:"versionId"`
	LastUpdated string          `json:"lastUpdated"`
	Episode     string          `json:"episode,omitempty"`
	Seq         int64           `json:"seq"`
	Resource    json.RawMessage `json:"resource,omitempty"`
}

// announce makes the change event of a resource version. seq is the episode's input
// that led to it; for a shared resource its own version, since it has no episode.
func (s *Service) announce(r store.Resource, seq int64) store.Outbox {
	key := r.Episode
	if key == "" {
		key, seq = r.Type+"/"+r.ID, r.Version
	}
	c := change{
		Type: r.Type, ID: r.ID, VersionID: strconv.FormatInt(r.Version, 10),
		LastUpdated: fhir.Instant(r.Updated), Episode: r.Episode, Seq: seq,
	}
	if s.ResourceInChanges {
		c.Resource = r.Body
	}
	body, err := json.Marshal(c)
	if err != nil {
		panic(err) // texts and a valid resource always marshal
	}
	act, part := "update", partition(key)
	if r.Follows() == 0 {
		act = "create"
	}
	id := fmt.Sprintf("%s/%s/%d", r.Type, r.ID, r.Version)
	return store.Outbox{
		Episode: r.Episode, Partition: part, MessageID: id, Body: body,
		Subject: fmt.Sprintf("fhirsvc.changes.%s.%s.%02d", r.Type, act, part),
		Headers: map[string]string{"Nats-Msg-Id": id},
	}
}

// partition spreads episodes over the partitions of the outbox.
func partition(key string) int {
	h := fnv.New32a()
	h.Write([]byte(key))
	return int(h.Sum32() % store.Partitions)
}
