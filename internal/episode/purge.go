package episode

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// purgeBatch is how many episodes are looked at in a row.
const purgeBatch = 200

// Purged is what became of the episodes that wait for no time.
type Purged struct {
	Episodes int // removed, or to be removed
	Open     int // the plan or a Task is open
	Young    int // something was stored too lately
	Waiting  int // something is still to be told
}

// PurgeEpisodes removes the episodes whose plan has ended, whose Tasks are all closed, of
// which nothing was stored since an instant and of which everything was told. With really
// false nothing is removed. It may be broken off anywhere and run again. The errors are the
// store's.
func PurgeEpisodes(ctx context.Context, st store.Store, before time.Time, really bool) (Purged, error) {
	var p Purged
	for after := ""; ; {
		ids, err := st.Idle(ctx, after, purgeBatch)
		if err != nil || len(ids) == 0 {
			return p, err
		}
		for _, id := range ids {
			if err := p.purge(ctx, st, id, before, really); err != nil {
				return p, fmt.Errorf("purge episode %s: %w", id, err)
			}
		}
		after = ids[len(ids)-1]
	}
}

func (p *Purged) purge(ctx context.Context, st store.Store, id string, before time.Time, really bool) error {
	e, err := st.Load(ctx, id) // before its resources: what is stored in between is a conflict
	if err != nil {
		return err
	}
	resources, err := st.OfEpisode(ctx, id)
	if err != nil {
		return err
	}
	for _, r := range resources {
		if !r.Updated.Before(before) {
			p.Young++
			return nil
		}
	}
	closed, err := allClosed(resources)
	if err != nil || !closed {
		p.Open++
		return err
	}
	if really {
		err = st.Purge(ctx, id, e.Version)
	}
	if outcome.KindOf(err) == outcome.CodeConflict {
		p.Waiting++
		return nil
	}
	if err == nil {
		p.Episodes++
	}
	return err
}

// allClosed reports whether there is a plan that has ended and no Task that is open.
func allClosed(resources []store.Resource) (bool, error) {
	ended := false
	for _, r := range resources {
		if r.Type != "CarePlan" && r.Type != "Task" {
			continue
		}
		var x struct{ Status string }
		if err := json.Unmarshal(r.Body, &x); err != nil {
			return false, fmt.Errorf("read %s/%s: %w", r.Type, r.ID, err)
		}
		switch x.Status {
		case "completed", "revoked", "cancelled", "rejected", "failed", "entered-in-error":
			ended = ended || r.Type == "CarePlan"
		default:
			return false, nil
		}
	}
	return ended, nil
}
