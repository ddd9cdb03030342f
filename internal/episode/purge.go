package episode

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

const (
	// purgeBatch is how many episodes are looked at in a row.
	purgeBatch = 200
	// removeBatch is how many rows of what is old go in one transaction.
	removeBatch = 500
)

// Purger removes what a site no longer keeps. All that it removes is recorded in the audit trail,
// in the same transaction: each episode by itself, so that its record is seen by those of its
// unit, and what belongs to no episode by the batch. It may be broken off anywhere and run again.
type Purger struct {
	Store   store.Store
	Auditor *Auditor // of the same store
	// By is who runs it. Query is the site's rule, to which is added since when nothing was
	// stored.
	By fhir.Access
}

// Purged is what became of the episodes that wait for no time.
type Purged struct {
	Episodes int // removed, or to be removed
	Open     int // the plan or a Task is open
	Young    int // something was stored too lately
	Waiting  int // something is still to be told
}

// Episodes removes the episodes whose plan has ended, whose Tasks are all closed, of
// which nothing was stored since an instant and of which everything was told. With really
// false nothing is removed. The errors are the store's.
func (g *Purger) Episodes(ctx context.Context, before time.Time, really bool) (Purged, error) {
	var p Purged
	for after := ""; ; {
		ids, err := g.Store.Idle(ctx, after, purgeBatch)
		if err != nil || len(ids) == 0 {
			return p, err
		}
		for _, id := range ids {
			if err := g.purge(ctx, &p, id, before, really); err != nil {
				return p, fmt.Errorf("purge episode %s: %w", id, err)
			}
		}
		after = ids[len(ids)-1]
	}
}

func (g *Purger) purge(ctx context.Context, p *Purged, id string, before time.Time, really bool) error {
	e, err := g.Store.Load(ctx, id) // before its resources: what is stored in between is a conflict
	if err != nil {
		return err
	}
	resources, err := g.Store.OfEpisode(ctx, id)
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
		err = g.remove(ctx, e, resources, before)
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

// remove removes an episode with the record of that, which names it, its plan, its procedure and
// its patient, and tells how many resources of each type there were.
func (g *Purger) remove(ctx context.Context, e store.Episode, resources []store.Resource, before time.Time) error {
	x := g.access(before)
	x.Episode, x.Unit, x.Patient = e.ID, e.Unit, []string{"Patient/" + e.Subject}
	for _, r := range resources {
		switch r.Type {
		case "CarePlan":
			x.Data = r.Type + "/" + r.ID
		case "Procedure":
			x.Included = append(x.Included, r.Type+"/"+r.ID)
		}
		if n := len(x.Removed); n > 0 && x.Removed[n-1].Kind == r.Type { // they come in order
			x.Removed[n-1].Count++
		} else {
			x.Removed = append(x.Removed, fhir.Removal{Kind: r.Type, Count: 1})
		}
	}
	record, err := g.Auditor.record(x, uuid.NewString(), x.At)
	if err != nil {
		return err
	}
	return g.Store.Purge(ctx, e.ID, e.Version, record)
}

func (g *Purger) access(before time.Time) fhir.Access {
	x := g.By
	x.At, x.Times = g.Auditor.now(), 1
	x.Interaction, x.Outcome = "delete", fhir.AccessSuccess
	x.Query += ": nothing was stored since " + fhir.Instant(before)
	return x
}

// Old removes what was stored before an instant and belongs to no episode, and gives how many
// there were, also when it breaks off. With really false they are counted. The errors are the
// store's.
func (g *Purger) Old(ctx context.Context, what store.Old, before time.Time, really bool) (removed int, err error) {
	if !really {
		return g.Store.CountOld(ctx, what, before)
	}
	record := func(n int) (store.Resource, error) {
		x := g.access(before)
		x.Removed = []fhir.Removal{{Kind: kindOfOld(what), Count: n}}
		return g.Auditor.record(x, uuid.NewString(), x.At)
	}
	for {
		n, err := g.Store.RemoveOld(ctx, what, before, removeBatch, record)
		if removed += n; err != nil || n == 0 {
			return removed, err
		}
	}
}

// kindOfOld is what removed rows are called in their record.
func kindOfOld(what store.Old) string {
	switch what {
	case store.OldInbox:
		return "entry of the inbox"
	case store.OldOutbox:
		return "told change"
	case store.OldAudit:
		return "AuditEvent"
	}
	panic("episode: unknown kind of old rows")
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
