package episode

import (
	"context"
	"log/slog"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

const (
	// auditWithin is the longest time between an access that changes nothing and its
	// record, as long as the store can be written to.
	auditWithin = 500 * time.Millisecond
	// auditBatch is the most records that are stored in one commit.
	auditBatch = 200
	// auditRoom is how many records may wait. When more do, nothing is read any more:
	// what can't be recorded is not done.
	auditRoom = 20_000
	// auditKinds is how many kinds of refusals are told apart before they are stored; of
	// all others one record tells how many there were.
	auditKinds = 256
	// auditTimeout bounds one commit of records.
	auditTimeout = 10 * time.Second
)

// AuditorOptions are what an Auditor is made of; all must be set but Server.
type AuditorOptions struct {
	Store    store.Store
	Outgoing Validator
	Clock    Clock
	Log      *slog.Logger
	// Server is this service's own URL.
	Server string
}

// Auditor keeps the audit trail. Changes are recorded in the commit that makes them;
// everything else is noted and stored a moment later, refusals of one kind as one record.
// A power cut loses the notes of that moment, and of no change.
type Auditor struct {
	o    AuditorOptions
	full chan struct{} // a batch waits

	mu      sync.Mutex
	noted   []fhir.Access
	refused map[kindOfAccess]*fhir.Access
}

// kindOfAccess is what refusals are told apart by.
type kindOfAccess struct {
	client, user, address, interaction, resourceType, why string
}

// NewAuditor returns an Auditor; Run stores what it notes.
func NewAuditor(o AuditorOptions) *Auditor {
	return &Auditor{o: o, full: make(chan struct{}, 1), refused: map[kindOfAccess]*fhir.Access{}}
}

// Room tells (transient) that too much waits to be recorded for anything more to be done.
func (a *Auditor) Room() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if len(a.noted) >= auditRoom {
		return outcome.Fail(outcome.CodeTransient, "audit", "too many accesses wait to be recorded")
	}
	return nil
}

// Note records an access that changed nothing.
func (a *Auditor) Note(x fhir.Access) {
	x.At, x.Server, x.Times = a.now(), a.o.Server, 1
	a.mu.Lock()
	defer a.mu.Unlock()
	if x.Alert || x.Client == "" {
		a.count(x)
		return
	}
	a.noted = append(a.noted, x)
	if len(a.noted) >= auditBatch {
		select {
		case a.full <- struct{}{}:
		default:
		}
	}
}

// Record stores the record of an act now, before it is done, and fails if that can't be.
func (a *Auditor) Record(ctx context.Context, x fhir.Access) error {
	x.At, x.Server, x.Times = a.now(), a.o.Server, 1
	r, err := a.record(x, uuid.NewString(), x.At)
	if err == nil {
		_, err = a.o.Store.Commit(ctx, []store.Changeset{{Resources: []store.Resource{r}}})
	}
	return err
}

// count adds a refusal to those of its kind, so that an attack makes few records. What
// it was about in detail is left out.
func (a *Auditor) count(x fhir.Access) {
	kind := kindOfAccess{x.Client, x.User, x.Address, x.Interaction, x.Type, x.Why}
	if a.refused[kind] == nil && len(a.refused) >= auditKinds {
		x = fhir.Access{At: x.At, Outcome: x.Outcome, Alert: x.Alert, Server: x.Server, Times: 1, Why: "others"}
		kind = kindOfAccess{why: x.Why}
	}
	if first := a.refused[kind]; first != nil {
		first.Times++
		return
	}
	a.refused[kind] = &x
}

// Run stores what is noted until ctx ends, and then once more what is left.
func (a *Auditor) Run(ctx context.Context) {
	tick := time.NewTicker(auditWithin)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), auditTimeout)
			defer cancel()
			a.Flush(last)
			return
		case <-tick.C:
		case <-a.full:
		}
		a.Flush(ctx)
	}
}

// Flush stores what is noted now. What can't be stored is kept for the next time.
func (a *Auditor) Flush(ctx context.Context) {
	for {
		batch := a.next()
		if len(batch) == 0 {
			return
		}
		if err := a.store(ctx, batch); err != nil {
			a.o.Log.Warn("audit records not stored yet", "kind", outcome.KindOf(err), "error", err)
			a.back(batch)
			return
		}
	}
}

// next takes out the first batch; counted refusals become notes here.
func (a *Auditor) next() []fhir.Access {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, x := range a.refused {
		a.noted = append(a.noted, *x)
	}
	clear(a.refused)
	n := min(len(a.noted), auditBatch)
	batch := slices.Clone(a.noted[:n])
	a.noted = slices.Delete(a.noted, 0, n)
	return batch
}

func (a *Auditor) back(batch []fhir.Access) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.noted = append(batch, a.noted...)
}

// store commits a batch. A record that is not valid is a fault of ours: it is left out,
// and a person is told, so that the others are kept.
func (a *Auditor) store(ctx context.Context, batch []fhir.Access) error {
	ctx, cancel := context.WithTimeout(ctx, auditTimeout)
	defer cancel()
	var c store.Changeset
	for _, x := range batch {
		r, err := a.record(x, uuid.NewString(), x.At)
		if err != nil {
			a.o.Log.Error("audit record lost by a fault of the service", "kind", outcome.CodeException, "trace_id", x.Trace, "error", err)
			continue
		}
		c.Resources = append(c.Resources, r)
	}
	if len(c.Resources) == 0 {
		return nil
	}
	_, err := a.o.Store.Commit(ctx, []store.Changeset{c})
	return err
}

// record renders an access, stored at an instant. Records are written once and are no
// change that is told.
func (a *Auditor) record(x fhir.Access, id string, at time.Time) (store.Resource, error) {
	x.Unit = placeOf(x.Unit)
	body, err := fhir.RenderAudit(x, fhir.Version{ID: id, Number: 1, At: at})
	r := store.Resource{Type: "AuditEvent", ID: id, Version: 1, Updated: at, Unit: x.Unit, Body: body}
	if err == nil {
		err = indexSound(a.o.Outgoing, &r)
	}
	return r, err
}

func (a *Auditor) now() time.Time { return a.o.Clock().UTC().Truncate(time.Microsecond) }

// Access is how a client's access is recorded, before it is known what it was.
func (c Client) Access() fhir.Access {
	return fhir.Access{
		Client: c.ID, User: c.User, Issuer: c.Issuer, Token: c.Token, Address: c.Address, Trace: c.Trace,
		Outcome: fhir.AccessSuccess,
	}
}

// audit records in the draft what a client made by one input: one record for each
// resource that the client entered or changed, as BALP asks.
func (d *draft) audit(input string, made []fhir.Access) error {
	a := d.s.Auditor
	if a == nil {
		return nil
	}
	for i, x := range made {
		x.At, x.Server, x.Times = d.at, a.o.Server, 1
		r, err := a.record(x, d.s.ids.of("AuditEvent", input, strconv.Itoa(i)), d.at)
		if err != nil {
			return err
		}
		d.changes.Resources = append(d.changes.Resources, r)
	}
	return nil
}
