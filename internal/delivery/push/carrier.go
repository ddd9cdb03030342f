package push

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/tracing"
)

const (
	// parallel is how many requests a server gets from a replica at a time.
	parallel = 8
	// largest bounds a request's body in bytes; one input's changes are never cut.
	largest = 4 << 20
	// lookAgain is the wait when the last input of a queue is not whole yet.
	lookAgain = 100 * time.Millisecond
)

// Store is what a Carrier reads.
type Store interface {
	WaitingDeliveries(ctx context.Context, c store.DeliveryClaim, limit int) ([]store.Delivery, error)
	Copies(ctx context.Context, destination string, of []store.Copy) ([]store.Copy, error)
	Read(ctx context.Context, resourceType, id string) (store.Resource, error)
	ReadVersion(ctx context.Context, resourceType, id string, version int64) (store.Resource, error)
	Past(ctx context.Context, p store.Past) (store.PastPage, error)
}

// Validator checks resources against the published definitions.
type Validator interface {
	Resource(body []byte) []outcome.Issue
}

// Options are what a Carrier is made of; all but Traces must be set.
type Options struct {
	Destination Destination
	Store       Store
	Validator   Validator
	Base        string // of this service, as its resources may name it
	Log         *slog.Logger
	Traces      trace.TracerProvider // nil records no spans
}

// Carrier carries what waits for one destination. It is safe for concurrent use.
type Carrier struct {
	o      Options
	client *client
}

// NewCarrier reads the destination's files; it calls nobody.
func NewCarrier(o Options) (*Carrier, error) {
	client, err := newClient(o.Destination)
	if err != nil {
		return nil, err
	}
	return &Carrier{o: o, client: client}, nil
}

// Name is the destination's.
func (c *Carrier) Name() string { return c.o.Destination.Name }

// Lease is the longest time that Carry takes, and some time to settle: what is sent, what is
// read again, and what is sent once more.
func (c *Carrier) Lease() time.Duration { return 3*c.o.Destination.Timeout + 30*time.Second }

// Carry sends the first of what waits in a claimed queue, and says how that ended. Its errors
// are the store's: then nothing is known to have changed.
func (c *Carrier) Carry(ctx context.Context, claim store.DeliveryClaim) (store.DeliverySettlement, error) {
	ctx, cancel := context.WithTimeout(ctx, c.Lease()-15*time.Second)
	defer cancel()
	changes, err := c.o.Store.WaitingDeliveries(ctx, claim, mostEntries)
	if err != nil || len(changes) == 0 {
		return store.DeliverySettlement{Wait: lookAgain}, err
	}
	// Below the commit that made the first of them.
	ctx, end := tracing.Follow(ctx, c.o.Traces, "deliver", changes[0].Trace)
	s, err := c.carry(ctx, claim, changes)
	end(failure(s, err))
	return s, err
}

// carry sends the first of the changes, as many as fit.
func (c *Carrier) carry(ctx context.Context, claim store.DeliveryClaim, changes []store.Delivery) (store.DeliverySettlement, error) {
	p, err := c.plan(ctx, claim.Episode, changes)
	if err != nil {
		return store.DeliverySettlement{}, err
	}
	looked := false
	if claim.Doubt || claim.Overwrite {
		s, _, err := c.look(ctx, p, claim.Overwrite)
		if s != nil || err != nil {
			return orNone(s), err
		}
		looked = true
	}
	for {
		a, s, err := c.write(ctx, p)
		if s != nil || err != nil {
			return orNone(s), err
		}
		v, why := judge(a)
		switch {
		case v == tooLong && p.several():
			if p, err = c.plan(ctx, claim.Episode, store.WholeChanges(changes, 1, false)); err != nil {
				return store.DeliverySettlement{}, err
			}
			looked = false
		case (v == taken || v == contended || v == refused) && !looked:
			s, changed, err := c.look(ctx, p, claim.Overwrite)
			if s != nil || err != nil {
				return orNone(s), err
			}
			// The patient may have become known between the two: a server may answer 404 to a
			// reference that leads nowhere (HAPI FHIR does).
			if v == refused && !changed && a.status != http.StatusNotFound {
				return settle(v, a, why), nil
			}
			looked = true
		default:
			s := settle(v, a, why)
			s.Copies = p.learned
			return s, nil
		}
	}
}

// failure is the error of a span: that of the store, or the kind of what was not taken.
func failure(s store.DeliverySettlement, err error) error {
	if err == nil && (s.Failed || s.Refused) {
		return outcome.Fail(outcome.Code(s.Why.Code), "deliver", "not taken")
	}
	return err
}

func orNone(s *store.DeliverySettlement) store.DeliverySettlement {
	if s == nil {
		return store.DeliverySettlement{}
	}
	return *s
}

// several reports whether the plan is of more than one input.
func (p *plan) several() bool { return p.changes[0].Change != p.changes[len(p.changes)-1].Change }

// write sends the plan. It gives the settlement when it was taken, or could not be sent; none
// when it was taken, but something was there already that should not have been.
func (c *Carrier) write(ctx context.Context, p *plan) (answer, *store.DeliverySettlement, error) {
	if len(p.items) == 0 {
		return answer{}, p.taken(nil), nil
	}
	entries, err := c.entries(ctx, p)
	if err != nil {
		return answer{}, nil, err
	}
	body, err := fhir.RenderTransaction(fhir.BundleTransaction, entries)
	if err != nil {
		return answer{}, nil, err
	}
	if len(body) > largest && p.several() {
		return answer{status: http.StatusRequestEntityTooLarge}, nil, nil
	}
	if issues := c.o.Validator.Resource(body); outcome.HasErrors(issues) {
		c.o.Log.Error("what would be delivered is not valid R4", "instance_id", p.episode, "kind", outcome.CodeException)
		why := store.Refusal{Code: string(outcome.CodeException), Details: "what would be sent is not valid R4", Diagnostics: firstError(issues)}
		return answer{}, &store.DeliverySettlement{Refused: true, Why: why}, nil
	}
	a := c.client.send(ctx, body)
	if v, _ := judge(a); v != taken {
		return a, nil, nil
	}
	answers, err := fhir.ReadTransactionAnswer(a.body, fhir.BundleTransaction, len(entries))
	if err != nil {
		return a, unreadable(err), nil
	}
	for n, e := range answers {
		if e.Status < 200 || e.Status > 299 {
			return a, unreadable(fmt.Errorf("the server says that it took a transaction in part: %s has %d", p.items[n].name(), e.Status)), nil
		}
	}
	for n, e := range answers {
		if entries[n].IfNoneExist != "" && e.Status == http.StatusOK { // a late or lost try, or others
			return answer{status: e.Status}, nil, nil
		}
	}
	return a, p.taken(written(p, answers)), nil
}

// firstError gives the first issue that is an error, in words.
func firstError(issues []outcome.Issue) string {
	for _, i := range issues {
		if outcome.HasErrors([]outcome.Issue{i}) {
			return i.String()
		}
	}
	return ""
}

// taken is the settlement when the server has all of the plan.
func (p *plan) taken(copies []store.Copy) *store.DeliverySettlement {
	s := &store.DeliverySettlement{Copies: append(p.learned, copies...)}
	for _, d := range p.changes {
		s.Sent = append(s.Sent, d.Seq)
	}
	return s
}

// written gives the copies that a transaction made.
func written(p *plan, answers []fhir.TransactionAnswer) []store.Copy {
	copies := make([]store.Copy, len(p.items))
	for n, i := range p.items {
		a := answers[n]
		copies[n] = store.Copy{Type: i.resourceType, ID: i.id, Version: i.version, RemoteID: a.ID, RemoteVersion: a.Version}
		if a.ID == "" {
			copies[n].RemoteID = i.copy.RemoteID
		}
	}
	return copies
}
