package push

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// mostVersions is how many of our versions what is found at a server is compared with.
const mostVersions = 32

// found is what a server has under a business identifier.
type found struct {
	id, version string
	doc         *tree.Document
}

// look reads again what the server has of everything in the plan, and brings the plan in line
// with it: what is there as it should be is not sent again, what an earlier try of ours wrote
// is built upon, and what others wrote is a conflict unless overwrite. It gives the settlement
// when nothing can be sent, and whether the plan has changed.
func (c *Carrier) look(ctx context.Context, p *plan, overwrite bool) (s *store.DeliverySettlement, changed bool, err error) {
	there, s, err := c.search(ctx, p)
	if s != nil || err != nil {
		return s, false, err
	}
	compare := c.links(p)
	compare.there = there
	left := p.items[:0:0]
	for _, i := range p.items {
		before := *i
		why, err := c.reconcile(ctx, i, there[i.name()], compare, overwrite)
		if err != nil {
			return nil, false, err
		}
		if why != nil {
			return &store.DeliverySettlement{Refused: true, Why: *why, Copies: p.learned}, false, nil
		}
		p.copies[i.name()] = copyState{i.copy, i.known}
		changed = changed || i.known != before.known || i.copy != before.copy
		if i.known && (i.copy.Foreign || i.copy.Version >= i.version) {
			p.learned = append(p.learned, i.copy)
			continue
		}
		left = append(left, i)
	}
	p.items = left
	return nil, changed, nil
}

// search asks the server in one request for what is in the plan, and for the patients that are
// referred to. It gives what is there by Type/id of ours.
func (c *Carrier) search(ctx context.Context, p *plan) (map[string]*found, *store.DeliverySettlement, error) {
	asked, err := c.patients(ctx, p)
	if err != nil {
		return nil, nil, err
	}
	asked = append(asked, p.items...)
	entries := make([]fhir.TransactionEntry, len(asked))
	for n, i := range asked {
		entries[n] = fhir.TransactionEntry{Method: http.MethodGet, URL: i.resourceType + "?" + fhir.Condition(i.key)}
	}
	body, err := fhir.RenderTransaction(fhir.BundleBatch, entries)
	if err != nil {
		return nil, nil, err
	}
	a := c.client.send(ctx, body)
	if v, why := judge(a); v != taken {
		failure := settle(v, a, why)
		failure.Doubt = true // what made us look is still not known
		return nil, &failure, nil
	}
	answers, err := fhir.ReadTransactionAnswer(a.body, fhir.BundleBatch, len(entries))
	if err != nil {
		return nil, unreadable(err), nil
	}
	there := map[string]*found{}
	for n, i := range asked {
		f, why := readFound(i, answers[n])
		if why != nil {
			return nil, &store.DeliverySettlement{Refused: true, Why: *why}, nil
		}
		if f == nil && i.resourceType == "Patient" {
			unknown := store.Refusal{Code: string(outcome.CodeNotFound), Details: "the server does not know " + i.name()}
			return nil, &store.DeliverySettlement{Failed: true, Why: unknown}, nil
		}
		if f != nil {
			there[i.name()] = f
		}
	}
	return there, nil, nil
}

// patients are those that the plan refers to, with what the server knows them by.
func (c *Carrier) patients(ctx context.Context, p *plan) ([]*item, error) {
	var all []*item
	seen := map[string]bool{}
	for _, i := range p.items {
		for _, ref := range fhir.ReferencesOf(i.doc) {
			kind, id, ok := c.local(ref)
			if !ok || kind != "Patient" || seen[id] {
				continue
			}
			seen[id] = true
			r, err := c.o.Store.Read(ctx, kind, id)
			if outcome.KindOf(err) == outcome.CodeNotFound {
				continue
			}
			if err != nil {
				return nil, err
			}
			doc, err := parsed(r)
			if err != nil {
				return nil, err
			}
			one := &item{resourceType: kind, id: id}
			one.key, _ = fhir.CopyKey(doc, kind, id)
			all = append(all, one)
		}
	}
	return all, nil
}

// unreadable is the settlement after an answer that is no FHIR: what was asked for may have
// been done.
func unreadable(err error) *store.DeliverySettlement {
	return &store.DeliverySettlement{Failed: true, Doubt: true, Why: store.Refusal{Code: string(outcome.CodeStructure), Details: err.Error()}}
}

// readFound reads the answer to a search: nil when there is nothing.
func readFound(i *item, a fhir.TransactionAnswer) (*found, *store.Refusal) {
	if a.Status != http.StatusOK {
		return nil, &store.Refusal{Code: "processing", Status: a.Status, Details: "the server can't say what it has of " + i.name()}
	}
	var b struct {
		Entry []struct {
			Resource json.RawMessage `json:"resource"`
		} `json:"entry"`
	}
	if json.Unmarshal(a.Resource, &b) != nil {
		return nil, &store.Refusal{Code: string(outcome.CodeStructure), Details: "the server's answer to a search can't be read"}
	}
	var all []*found
	for _, e := range b.Entry {
		doc, _ := tree.Parse(e.Resource)
		if doc == nil || doc.Root.Str("resourceType") != i.resourceType {
			continue // an OperationOutcome beside the matches
		}
		all = append(all, &found{id: doc.Root.Str("id"), version: doc.Root.Get("meta").Str("versionId"), doc: doc})
	}
	switch len(all) {
	case 0:
		return nil, nil
	case 1:
		return all[0], nil
	}
	return nil, &store.Refusal{Code: string(outcome.CodeMultipleMatches), Details: "the server has more than one of " + i.name()}
}

// reconcile holds what is known of a copy against what is there.
func (c *Carrier) reconcile(ctx context.Context, i *item, there *found, compare *links, overwrite bool) (*store.Refusal, error) {
	if there == nil {
		if i.known && !overwrite {
			return conflict(i, "was taken away"), nil
		}
		i.known, i.copy = false, store.Copy{}
		return nil, nil
	}
	at := store.Copy{Type: i.resourceType, ID: i.id, RemoteID: there.id, RemoteVersion: there.version}
	if i.known && i.copy.RemoteID == there.id && i.copy.RemoteVersion == there.version {
		return nil, nil
	}
	version, err := c.ours(ctx, i, there, compare)
	switch {
	case err != nil:
		return nil, err
	case version > 0:
		at.Version = version
	case overwrite:
		at.Version = i.version - 1
	case !i.known && !i.own:
		at.Version, at.Foreign = i.version, true
	default:
		return conflict(i, "was changed"), nil
	}
	i.known, i.copy = true, at
	return nil, nil
}

func conflict(i *item, what string) *store.Refusal {
	return &store.Refusal{Code: string(outcome.CodeConflict), Details: i.name() + " " + what + " at the server by somebody else"}
}

// ours gives the version of ours that is there, 0 if it is none. It may be older than the last
// that was taken, when the server was restored from a backup. Where several are alike it is the
// oldest, so that the newest is written once more: a try that is still under way then comes too
// late.
func (c *Carrier) ours(ctx context.Context, i *item, there *found, compare *links) (int64, error) {
	page, err := c.o.Store.Past(ctx, store.Past{
		Type: i.resourceType, ID: i.id, Count: mostVersions, After: &store.Place{ID: i.id, Version: i.version + 1},
	})
	if err != nil {
		return 0, err
	}
	for _, r := range slices.Backward(page.Versions) {
		doc, err := parsed(r)
		if err != nil {
			return 0, err
		}
		copied, _ := tree.Parse(fhir.RenderCopy(doc, fhir.Copy{Key: i.key, Links: compare.of(ctx)}))
		if compare.err != nil {
			return 0, compare.err
		}
		if copied != nil && fhir.SameCopy(copied, there.doc) {
			return r.Version, nil
		}
	}
	return 0, nil
}
