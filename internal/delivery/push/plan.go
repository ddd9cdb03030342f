package push

import (
	"context"
	"fmt"
	"slices"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// mostEntries bounds a Bundle; one input's changes are never cut.
const mostEntries = 200

// item is a resource of the plan and what is known of its copy.
type item struct {
	resourceType, id string
	version          int64
	doc              *tree.Document
	key              fhir.Identifier
	own              bool // the key can't be anybody else's
	copy             store.Copy
	known            bool // there is a copy
	brought          bool // another one refers to it: it is sent if the server has none
}

func (i *item) name() string { return i.resourceType + "/" + i.id }

// plan is what is to be sent of some changes.
type plan struct {
	episode string
	changes []store.Delivery
	items   []*item              // to be written, each resource once
	copies  map[string]copyState // of all that is referred to, by Type/id
	learned []store.Copy         // to be remembered although it was not written now
}

// copyState is what is known of a copy; known is false when there is none.
type copyState struct {
	store.Copy
	known bool
}

// plan reads what some changes brought: of each resource the newest version. What the server
// has already, or others wrote there, is left out.
func (c *Carrier) plan(ctx context.Context, episode string, changes []store.Delivery) (*plan, error) {
	p := &plan{episode: episode, changes: changes, copies: map[string]copyState{}}
	newest := map[string]*item{}
	var all []*item
	for _, d := range changes {
		i := newest[d.Type+"/"+d.ID]
		if i == nil {
			i = &item{resourceType: d.Type, id: d.ID}
			newest[i.name()] = i
			all = append(all, i)
		}
		i.version = max(i.version, d.Version)
	}
	for len(all) > 0 {
		if err := c.lookUp(ctx, p, all); err != nil {
			return nil, err
		}
		var sent []*item
		for _, i := range all {
			if i.known && (i.brought || i.copy.Foreign || i.copy.Version >= i.version) {
				continue
			}
			if err := c.load(ctx, i); err != nil {
				return nil, err
			}
			sent = append(sent, i)
		}
		p.items = append(p.items, sent...)
		var err error
		if all, err = c.missing(ctx, p, sent, newest); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// lookUp asks the store for the copies of some items.
func (c *Carrier) lookUp(ctx context.Context, p *plan, items []*item) error {
	if len(items) == 0 {
		return nil
	}
	of := make([]store.Copy, len(items))
	for n, i := range items {
		of[n] = store.Copy{Type: i.resourceType, ID: i.id}
	}
	copies, err := c.o.Store.Copies(ctx, c.o.Destination.Name, of)
	if err != nil {
		return err
	}
	for _, i := range items {
		at := slices.IndexFunc(copies, func(k store.Copy) bool { return k.Type == i.resourceType && k.ID == i.id })
		if i.known = at >= 0; i.known {
			i.copy = copies[at]
		}
		p.copies[i.name()] = copyState{i.copy, i.known}
	}
	return nil
}

// load reads the version that is to be sent.
func (c *Carrier) load(ctx context.Context, i *item) error {
	r, err := c.o.Store.ReadVersion(ctx, i.resourceType, i.id, i.version)
	if err != nil {
		return err
	}
	if i.doc, err = parsed(r); err != nil {
		return err
	}
	i.key, i.own = fhir.CopyKey(i.doc, i.resourceType, i.id)
	return nil
}

// missing gives what items refer to within their episode and the server has not got: what was
// there before the destination was.
func (c *Carrier) missing(ctx context.Context, p *plan, items []*item, planned map[string]*item) ([]*item, error) {
	var asked []*item
	for _, i := range items {
		for _, ref := range fhir.ReferencesOf(i.doc) {
			kind, id, ok := c.local(ref)
			next := &item{resourceType: kind, id: id, brought: true}
			if ok && fhir.Delivered(kind) && planned[next.name()] == nil {
				planned[next.name()] = next
				asked = append(asked, next)
			}
		}
	}
	if err := c.lookUp(ctx, p, asked); err != nil {
		return nil, err
	}
	var found []*item
	for _, i := range asked {
		if i.known {
			continue
		}
		r, err := c.o.Store.Read(ctx, i.resourceType, i.id)
		if outcome.KindOf(err) == outcome.CodeNotFound || err == nil && r.Episode != p.episode {
			continue
		}
		if err != nil {
			return nil, err
		}
		i.version = r.Version
		found = append(found, i)
	}
	return found, nil
}

// entries renders the plan: what the server has not got is created unless it is there after
// all, what it has is updated from the version that is known. Neither does harm when it comes
// late, or twice.
func (c *Carrier) entries(ctx context.Context, p *plan) ([]fhir.TransactionEntry, error) {
	links := c.links(p)
	entries := make([]fhir.TransactionEntry, len(p.items))
	for n, i := range p.items {
		e := fhir.TransactionEntry{Method: "PUT", FullURL: i.urn(), URL: i.resourceType + "?" + fhir.Condition(i.key), IfMatch: i.copy.RemoteVersion}
		remote := ""
		switch {
		case i.known && i.copy.RemoteID != "":
			remote = i.copy.RemoteID
			e.URL = i.resourceType + "/" + remote
			e.FullURL = c.o.Destination.Base + "/" + e.URL
		case !i.known:
			e.Method, e.URL, e.IfNoneExist = "POST", i.resourceType, fhir.Condition(i.key)
		}
		e.Resource = fhir.RenderCopy(i.doc, fhir.Copy{ID: remote, Key: i.key, Links: links.of(ctx)})
		entries[n] = e
	}
	return entries, links.err
}

// urn stands for a resource in a Bundle as long as the server has not named it.
func (i *item) urn() string { return "urn:uuid:" + fhir.CopyUUID(i.resourceType, i.id) }

func parsed(r store.Resource) (*tree.Document, error) {
	doc, _ := tree.Parse(r.Body)
	if doc == nil {
		return nil, fmt.Errorf("read %s/%s: what is stored is no JSON", r.Type, r.ID)
	}
	return doc, nil
}
