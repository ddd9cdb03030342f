package postgres

import (
	"cmp"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// writing is the rows of a wave, each with the place of its changeset: a row is written if
// nothing stands against that. Where a row brings a key of its own, rows are in order of keys.
type writing struct {
	packing    packing
	inbox      []at[*store.Inbox]
	steps      []at[*store.EpisodeChange]
	heads      []at[head]
	versions   []at[*store.Resource]
	index      []at[indexRow]
	outbox     []at[*store.Outbox] // in their order, which is the order of sending
	identities []at[*store.Identity]
	quarantine []at[*store.Quarantine]

	subscriptions []at[*store.Subscription]
}

// indexRow is a value of the search index with the resource that it finds.
type indexRow struct {
	owner *store.Resource
	value *search.Value
}

func (w *writing) add(place int, c *store.Changeset, heads []head) {
	if c.Inbox != nil {
		w.inbox = append(w.inbox, at[*store.Inbox]{place, c.Inbox})
	}
	for i := range c.Episodes {
		w.steps = append(w.steps, at[*store.EpisodeChange]{place, &c.Episodes[i]})
	}
	for _, h := range heads {
		w.heads = append(w.heads, at[head]{place, h})
		for i := range h.last.Index {
			w.index = append(w.index, at[indexRow]{place, indexRow{h.last, &h.last.Index[i]}})
		}
	}
	for i := range c.Resources {
		w.versions = append(w.versions, at[*store.Resource]{place, &c.Resources[i]})
	}
	for i := range c.Outbox {
		w.outbox = append(w.outbox, at[*store.Outbox]{place, &c.Outbox[i]})
	}
	for i := range c.Identities {
		w.identities = append(w.identities, at[*store.Identity]{place, &c.Identities[i]})
	}
	for i := range c.Subscriptions {
		w.subscriptions = append(w.subscriptions, at[*store.Subscription]{place, &c.Subscriptions[i]})
	}
	if c.Quarantine != nil {
		w.quarantine = append(w.quarantine, at[*store.Quarantine]{place, c.Quarantine})
	}
}

func (w *writing) sort() {
	slices.SortFunc(w.inbox, func(a, b at[*store.Inbox]) int {
		return cmp.Or(strings.Compare(a.row.Source, b.row.Source), strings.Compare(a.row.ID, b.row.ID))
	})
	slices.SortFunc(w.steps, func(a, b at[*store.EpisodeChange]) int { return strings.Compare(a.row.ID, b.row.ID) })
	slices.SortFunc(w.heads, func(a, b at[head]) int { return compareKeys(a.row.key, b.row.key) })
	slices.SortFunc(w.identities, func(a, b at[*store.Identity]) int {
		return cmp.Or(strings.Compare(a.row.Type, b.row.Type), strings.Compare(a.row.System, b.row.System), strings.Compare(a.row.Value, b.row.Value))
	})
	slices.SortFunc(w.quarantine, func(a, b at[*store.Quarantine]) int { return strings.Compare(a.row.ID, b.row.ID) })
}

// queue adds the statements. Messages are numbered under the locks of their episodes, so that
// numbers rise in the order of the commits.
func (w *writing) queue(batch *pgx.Batch) {
	w.sort()
	w.queueInbox(batch)
	w.queueEpisodes(batch)
	w.queueInputs(batch)
	w.queueHeads(batch)
	w.queueVersions(batch)
	w.queueIndex(batch)
	w.queueOutbox(batch)
	w.queueIdentities(batch)
	w.queueSubscriptions(batch)
	w.queueQuarantine(batch)
}
