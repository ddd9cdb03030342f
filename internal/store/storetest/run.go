package storetest

import (
	"slices"
	"testing"

	"fhirsvc/internal/store"
)

// contractTest is one promise of the contract, on a store of its own.
type contractTest struct {
	name string
	run  func(t *testing.T, st store.Store)
}

// Run checks the whole contract. open gives an empty store and closes it when its test
// ends.
func Run(t *testing.T, open func(t *testing.T) store.Store) {
	t.Helper()
	all := slices.Concat(
		commitTests(), gatherTests(), taggedTests(), inboxTests(), resourceTests(), identityTests(), searchTests(), pagingTests(), pastTests(),
		timerTests(), relayTests(), asideTests(), subscriptionTests(), deliveryTests(), traceTests(), installationTests(), recoveryTests(), retentionTests(), concurrencyTests(), unknownTests(),
	)
	for _, c := range all {
		t.Run(c.name, func(t *testing.T) { c.run(t, open(t)) })
	}
}
