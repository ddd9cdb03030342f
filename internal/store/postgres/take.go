package postgres

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// taking is the first pass over a wave: it inserts the rows that bring a key of their
// own, locks the rows that must be there, and keeps what the database said. Each table
// is passed in order of its keys, and the tables in one order, so that two replicas
// never wait for each other in a circle.
type taking struct {
	inbox      []*store.Inbox
	created    []*store.EpisodeChange // new episodes
	stepped    []string               // ids of episodes that must be there
	newHeads   []head                 // new resources
	oldHeads   []resourceKey          // resources that must be there
	outbox     []*store.Outbox        // in their order, which is the order of sending
	identities []*store.Identity

	heads map[*store.Changeset][]head

	put      map[any]bool             // the keys whose rows this transaction inserted
	episodes map[string]int64         // versions of the locked episodes
	versions map[resourceKey]int64    // versions of the locked resources
	known    map[inboxKey]store.Inbox // the entries that were there before
	holders  map[identityKey]string   // the ids of identities that were there before
}

func newTaking(changes []store.Changeset, members []int) *taking {
	t := &taking{
		heads: make(map[*store.Changeset][]head, len(members)),
		put:   map[any]bool{}, episodes: map[string]int64{}, versions: map[resourceKey]int64{},
		known: map[inboxKey]store.Inbox{}, holders: map[identityKey]string{},
	}
	for _, i := range members {
		t.add(&changes[i])
	}
	slices.SortFunc(t.inbox, func(a, b *store.Inbox) int {
		return cmp.Or(strings.Compare(a.Source, b.Source), strings.Compare(a.ID, b.ID))
	})
	slices.SortFunc(t.created, func(a, b *store.EpisodeChange) int { return strings.Compare(a.ID, b.ID) })
	slices.SortFunc(t.newHeads, func(a, b head) int { return compareKeys(a.key, b.key) })
	slices.SortFunc(t.identities, func(a, b *store.Identity) int {
		return cmp.Or(strings.Compare(a.Type, b.Type), strings.Compare(a.System, b.System), strings.Compare(a.Value, b.Value))
	})
	return t
}

func (t *taking) add(c *store.Changeset) {
	if c.Inbox != nil {
		t.inbox = append(t.inbox, c.Inbox)
	}
	for i := range c.Episodes {
		if e := &c.Episodes[i]; e.Expected == 0 {
			t.created = append(t.created, e)
		} else {
			t.stepped = append(t.stepped, e.ID)
		}
	}
	t.heads[c] = headsOf(c)
	for _, h := range t.heads[c] {
		if h.first == 1 {
			t.newHeads = append(t.newHeads, h)
		} else {
			t.oldHeads = append(t.oldHeads, h.key)
		}
	}
	for i := range c.Outbox {
		t.outbox = append(t.outbox, &c.Outbox[i])
	}
	for i := range c.Identities {
		t.identities = append(t.identities, &c.Identities[i])
	}
}

// take asks the database in one round trip, and once more for what stood in the way.
// Message ids come before identities, because the outbox decides a conflict too.
func (t *taking) take(ctx context.Context, tx pgx.Tx) error {
	batch := &pgx.Batch{}
	t.queue(batch)
	if err := send(ctx, tx, batch); err != nil {
		return err
	}
	batch = &pgx.Batch{}
	t.askInbox(batch)
	t.askIdentities(batch)
	return send(ctx, tx, batch)
}

func (t *taking) queue(batch *pgx.Batch) {
	t.takeInbox(batch)
	t.takeEpisodes(batch)
	t.takeHeads(batch)
	t.takeOutbox(batch)
	t.takeIdentities(batch)
}

// send runs the statements of a batch in one round trip; an empty one needs none.
func send(ctx context.Context, tx pgx.Tx, batch *pgx.Batch) error {
	if batch.Len() == 0 {
		return nil
	}
	return tx.SendBatch(ctx, batch).Close()
}

// decide tells how a changeset ends. The order decides which end is reported when
// there are several: inbox, versions, identities.
func (t *taking) decide(c *store.Changeset) store.Result {
	if in := c.Inbox; in != nil && !t.put[inboxKey{in.Source, in.ID}] {
		known := t.known[inboxKey{in.Source, in.ID}]
		if known.Digest != in.Digest {
			return store.Result{Status: store.Differs}
		}
		return store.Result{Status: store.Duplicate, Answer: known.Answer}
	}
	if t.stale(c) {
		return store.Result{Status: store.Conflict}
	}
	var taken []store.Identity
	for _, claim := range c.Identities {
		if id := t.holders[identityKey{claim.Type, claim.System, claim.Value}]; id != claim.ID {
			claim.ID = id
			taken = append(taken, claim)
		}
	}
	if len(taken) > 0 {
		return store.Result{Status: store.Taken, Taken: taken}
	}
	return store.Result{Status: store.Committed}
}

// stale reports whether a version is not the expected one or a message id is known.
func (t *taking) stale(c *store.Changeset) bool {
	for _, e := range c.Episodes {
		if e.Expected == 0 && !t.put[episodeKey(e.ID)] {
			return true
		}
		if e.Expected > 0 && t.episodes[e.ID] != e.Expected {
			return true
		}
	}
	for _, h := range t.heads[c] {
		if !h.gapless || (h.first == 1 && !t.put[h.key]) || (h.first > 1 && t.versions[h.key] != h.first-1) {
			return true
		}
	}
	for _, o := range c.Outbox {
		if !t.put[messageKey(o.MessageID)] {
			return true
		}
	}
	return false
}
