// Package store is the contract of what fhirsvc keeps: episodes with their inputs,
// resource versions as bytes, the search index, due times, the inbox that makes an
// input count once, and the outbox of changes to be told. The implementations are
// store/postgres (production) and store/embedded (the sandbox); storetest holds the
// one suite that both must pass.
//
// It knows rows and transactions; it must not know clinical rules or transport.
//
//	results, err := st.Commit(ctx, []store.Changeset{cs})
//	if err == nil && results[0].Status == store.Conflict { /* load again, step again */ }
package store
