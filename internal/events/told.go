package events

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Told is the last change that was told of a resource.
type Told struct {
	Type    string
	ID      string
	Episode string // "" for what belongs to none
	Version int64
	At      time.Time // when it was told
	Body    []byte    // the change event
}

// Reference is Type/id.
func (t Told) Reference() string { return t.Type + "/" + t.ID }

// TellingSince is when the stream of changes was made: what was told before is not in it.
// ErrStreamNotFound of JetStream if there is none.
func TellingSince(ctx context.Context, js jetstream.JetStream) (time.Time, error) {
	s, err := js.Stream(ctx, StreamChanges)
	if err != nil {
		return time.Time{}, fmt.Errorf("stream %s: %w", StreamChanges, err)
	}
	state := s.CachedInfo().State
	if state.FirstSeq > 1 { // the site's limits have taken the older ones
		return state.FirstTime, nil
	}
	return s.CachedInfo().Created, nil
}

// LastTold reads the stream of changes from an instant on, by the broker's clock, and gives
// the highest version of each resource that was told of since, by its reference.
func LastTold(ctx context.Context, js jetstream.JetStream, since time.Time) (map[string]Told, error) {
	c, err := js.OrderedConsumer(ctx, StreamChanges, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartTimePolicy, OptStartTime: &since,
	})
	if err != nil {
		return nil, fmt.Errorf("read stream %s: %w", StreamChanges, err)
	}
	info, err := c.Info(ctx)
	if err != nil {
		return nil, fmt.Errorf("read stream %s: %w", StreamChanges, err)
	}
	all := map[string]Told{}
	for left := info.NumPending; left > 0; left-- {
		m, err := c.Next(jetstream.FetchMaxWait(10 * time.Second))
		if errors.Is(err, nats.ErrTimeout) {
			return nil, fmt.Errorf("read stream %s: %d messages did not come", StreamChanges, left)
		}
		if err != nil {
			return nil, fmt.Errorf("read stream %s: %w", StreamChanges, err)
		}
		t, err := readTold(m)
		if err != nil {
			return nil, err
		}
		if t.Version > all[t.Reference()].Version {
			all[t.Reference()] = t
		}
	}
	return all, nil
}

func readTold(m jetstream.Msg) (Told, error) {
	var c struct{ Type, ID, VersionID, Episode string }
	meta, err := m.Metadata()
	if err == nil {
		err = json.Unmarshal(m.Data(), &c)
	}
	var version int64
	if err == nil {
		version, err = strconv.ParseInt(c.VersionID, 10, 64)
	}
	if err != nil {
		return Told{}, fmt.Errorf("stream %s: not a change: %w", StreamChanges, err)
	}
	return Told{Type: c.Type, ID: c.ID, Episode: c.Episode, Version: version, At: meta.Timestamp, Body: m.Data()}, nil
}
