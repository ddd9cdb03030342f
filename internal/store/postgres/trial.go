package postgres

import (
	"slices"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// trial is what stands against changesets: what is seen in themselves, and what the database
// says of their keys. Each is known by its place in the call.
type trial struct {
	packing  packing
	changes  []store.Changeset
	trusting bool // that what is new is not there yet
	heads    [][]head
	known    map[int]store.Inbox            // the inbox entry that was there before
	stale    map[int]bool                   // a version is not the expected one, or a message id is known
	holders  map[int]map[identityKey]string // of identities that belong to another resource
}

func newTrial(p packing, changes []store.Changeset) *trial {
	t := &trial{
		packing: p, changes: changes, heads: make([][]head, len(changes)),
		known: map[int]store.Inbox{}, stale: map[int]bool{}, holders: map[int]map[identityKey]string{},
	}
	for i := range changes {
		t.heads[i] = headsOf(&changes[i])
		t.stale[i] = slices.ContainsFunc(t.heads[i], func(h head) bool { return !h.gapless })
		first := map[identityKey]string{}
		for _, n := range changes[i].Identities {
			k := identityKey{n.Type, n.System, n.Value}
			if id, claimed := first[k]; claimed && id != n.ID {
				t.held(i, k, id)
			} else {
				first[k] = n.ID
			}
		}
	}
	return t
}

// found takes in one thing that stands against a changeset.
func (t *trial) found(place, kind int, k identityKey, other string, answer []byte) (err error) {
	switch kind {
	case againstInbox:
		answer, err = unpack(answer)
		t.known[place] = store.Inbox{Digest: other, Answer: answer}
	case againstVersion:
		t.stale[place] = true
	case againstIdentity:
		t.held(place, k, other)
	}
	return err
}

func (t *trial) held(place int, k identityKey, id string) {
	if t.holders[place] == nil {
		t.holders[place] = map[identityKey]string{}
	}
	t.holders[place][k] = id
}

// queue adds a wave to a batch: the questions about its changesets, and their rows.
func (t *trial) queue(batch *pgx.Batch, members []int) {
	q := questions{writing: &writing{packing: t.packing}}
	for _, i := range members {
		q.add(i, &t.changes[i], t.heads[i])
		if t.stale[i] || t.holders[i] != nil {
			q.lost = append(q.lost, i)
		}
	}
	q.ask(batch, t)
	q.queue(batch)
}

// results tells how each changeset ended. The order decides which end is given when there
// are several: inbox, versions, identities.
func (t *trial) results() []store.Result {
	results := make([]store.Result, len(t.changes))
	for i := range t.changes {
		results[i] = t.result(i)
	}
	return results
}

func (t *trial) result(i int) store.Result {
	c := &t.changes[i]
	if known, ok := t.known[i]; ok {
		if known.Digest != c.Inbox.Digest {
			return store.Result{Status: store.Differs}
		}
		return store.Result{Status: store.Duplicate, Answer: known.Answer}
	}
	if t.stale[i] {
		return store.Result{Status: store.Conflict}
	}
	var taken []store.Identity
	for _, claim := range c.Identities {
		if id, held := t.holders[i][identityKey{claim.Type, claim.System, claim.Value}]; held && id != claim.ID {
			claim.ID = id
			taken = append(taken, claim)
		}
	}
	if len(taken) > 0 {
		return store.Result{Status: store.Taken, Taken: taken}
	}
	return store.Result{Status: store.Committed}
}
