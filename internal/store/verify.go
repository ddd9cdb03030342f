package store

import (
	"slices"

	"fhirsvc/internal/fhir/outcome"
)

// Verify tells what in the changesets could not be stored by any implementation: a
// fault of the caller (exception), found before anything is written. Conflicts between
// changesets and with what is stored are not its business.
func Verify(changes []Changeset) error {
	for i := range changes {
		if err := changes[i].verify(); err != nil {
			return err
		}
	}
	return nil
}

func (c *Changeset) verify() error {
	const op = "commit"
	seen := make(map[string]bool, len(c.Episodes))
	for _, e := range c.Episodes {
		if e.ID == "" || e.Expected < 0 || seen[e.ID] {
			return outcome.Fail(outcome.CodeException, op, "episode %q: one change each, with an id and the version that was loaded", e.ID)
		}
		if e.Input.Seq != e.Expected+1 {
			return outcome.Fail(outcome.CodeException, op, "episode %s: input %d does not lead to version %d", e.ID, e.Input.Seq, e.Expected+1)
		}
		seen[e.ID] = true
	}
	for _, r := range c.Resources {
		if r.Type == "" || r.ID == "" || r.Skipped < 0 || r.Follows() < 0 {
			return outcome.Fail(outcome.CodeException, op, "resource %s/%s: versions count from 1, got %d", r.Type, r.ID, r.Version)
		}
	}
	for _, q := range c.Subscriptions {
		if !slices.ContainsFunc(c.Resources, func(r Resource) bool { return r.Type == "Subscription" && r.ID == q.ID }) {
			return outcome.Fail(outcome.CodeException, op, "queue of Subscription %q: its resource is not in the changeset", q.ID)
		}
		if q.Lease <= 0 {
			return outcome.Fail(outcome.CodeException, op, "queue of Subscription %q: it has no lease", q.ID)
		}
	}
	messages := make(map[string]bool, len(c.Outbox))
	for _, o := range c.Outbox {
		if messages[o.MessageID] {
			return outcome.Fail(outcome.CodeException, op, "message %q: its id stands twice in one changeset", o.MessageID)
		}
		messages[o.MessageID] = true
		if o.MessageID == "" || o.Partition < 0 || o.Partition >= Partitions {
			return outcome.Fail(outcome.CodeException, op, "message %q: partition %d is not in 0..%d", o.MessageID, o.Partition, Partitions-1)
		}
	}
	return nil
}
