// Package group commits changesets of callers who come at the same time in one call, which is
// one transaction and one flush of the log. Who comes alone is committed at once and alone;
// while commits are under way the others gather, and go together as soon as one of them ends.
//
// It knows calls and their order; it must not know SQL or what is in a changeset but the keys
// that may stand once in a call.
//
//	st := group.New(inner)
//	results, err := st.Commit(ctx, changes) // as inner.Commit, and each caller for itself
package group
