package rest

import (
	"context"
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// maximumEntries bounds a batch or transaction.
const maximumEntries = 200

// bundle is POST [base]: a batch, whose entries stand for themselves, or a transaction,
// whose changes are made all or none (hl7.org/fhir/R4/http.html#transaction).
func (s *server) bundle(c echo.Context) error {
	if err := mustBeResource(c); err != nil {
		return err
	}
	if err := onlyFormat(c.QueryParams()); err != nil {
		return err
	}
	body, err := readBody(c)
	if err != nil {
		return err
	}
	doc, err := parsed(body)
	if err != nil {
		return err
	}
	b := batch{server: s, base: s.base(c), header: c.Request().Header, trace: traceOf(c)}
	answer, err := b.run(c.Request().Context(), doc)
	if err != nil {
		return err
	}
	return c.Blob(http.StatusOK, contentType, answer)
}

// batch is a Bundle in work.
type batch struct {
	*server
	base   string
	header http.Header
	trace  string
}

func (b *batch) run(ctx context.Context, doc *tree.Document) ([]byte, error) {
	kind := doc.Root.Str("type")
	if doc.Root.Str("resourceType") != "Bundle" || kind != "batch" && kind != "transaction" {
		return nil, outcome.Reject("bundle", []outcome.Issue{outcome.Errorf(outcome.CodeInvalid, "Bundle.type",
			"a Bundle of type batch or transaction is expected here")})
	}
	entries := doc.Root.Get("entry")
	if entries.Len() > maximumEntries {
		return nil, outcome.Fail(outcome.CodeTooCostly, "bundle", "a Bundle has at most %d entries", maximumEntries)
	}
	if err := b.counted(ctx, kind, entries.Len()); err != nil {
		return nil, err
	}
	var items []item
	for n := range entries.Items() {
		items = append(items, readItem(doc, n))
	}
	out := bundle{Type: kind + "-response"}
	if kind == "batch" {
		for _, it := range items {
			out.add(b.entry(b.single(ctx, it)))
		}
		return out.json(), nil
	}
	replies, err := b.transaction(ctx, items)
	if err != nil {
		return nil, err
	}
	for _, r := range replies {
		out.add(b.entry(r.reply, r.err))
	}
	return out.json(), nil
}

// counted counts the entries of a Bundle as requests of their own.
func (b *batch) counted(ctx context.Context, kind string, entries int) error {
	k := callOf(ctx)
	err := b.limits.take(k.Client.ID, entries)
	if err != nil {
		a := k.Client.Access()
		a.Interaction, a.Type = kind, "Bundle"
		b.note(a, err)
	}
	return err
}

// single answers one entry of a batch.
func (b *batch) single(ctx context.Context, it item) (reply, error) {
	if it.fault != nil {
		return reply{}, it.fault
	}
	if it.method == http.MethodGet {
		return b.get(ctx, it.url)
	}
	results, err := b.change(ctx, []episode.Entry{it.change})
	if err != nil {
		return reply{}, err
	}
	return written(it.change, results[0]), nil
}

type answered struct {
	reply reply
	err   error
}

// transaction makes all changes in one call, then reads. A fault in any entry stops it
// before anything is done; a read that finds nothing answers for itself, since by then
// the changes are made.
func (b *batch) transaction(ctx context.Context, items []item) ([]answered, error) {
	var changes []episode.Entry
	for i, it := range items {
		err := it.fault
		if it.method == http.MethodGet {
			err = b.checkGet(ctx, it.url)
		} else {
			changes = append(changes, it.change)
		}
		if err == nil && it.method != http.MethodGet {
			err = b.mayChange(ctx, it.change)
		}
		if err != nil {
			return nil, at(i, err)
		}
	}
	if err := distinct(items); err != nil {
		return nil, err
	}
	var results []episode.EntryResult
	if len(changes) > 0 {
		var err error
		if results, err = b.change(ctx, changes); err != nil {
			return nil, err
		}
	}
	out := make([]answered, 0, len(items))
	for _, it := range items {
		if it.method == http.MethodGet {
			r, err := b.get(ctx, it.url)
			out = append(out, answered{r, err})
			continue
		}
		out = append(out, answered{reply: written(it.change, results[0])})
		results = results[1:]
	}
	return out, nil
}

// entry writes a reply, or an error, as an entry of the response.
func (b *batch) entry(r reply, err error) entry {
	if err != nil {
		code, e := failed(err)
		return entry{Response: &entryResponse{Status: statusLine(code), Outcome: outcomeOf(code, e, b.trace)}}
	}
	out := entry{Response: &entryResponse{Status: statusLine(r.status)}}
	if r.resource != nil {
		out.Response.ETag = etag(r.resource.Version)
		out.Response.LastModified = instant(r.resource.Updated)
		out.FullURL = b.base + "/" + r.resource.Type + "/" + r.resource.ID
	}
	if r.created {
		out.Response.Location = b.base + "/" + location(r.resource)
	}
	if len(r.warnings) > 0 {
		out.Response.Outcome = outcome.JSON(r.warnings)
	}
	if !r.change || preferred(b.header, "return") == "representation" {
		out.Resource = r.body
	}
	return out
}

func statusLine(code int) string { return fmt.Sprintf("%d %s", code, http.StatusText(code)) }
