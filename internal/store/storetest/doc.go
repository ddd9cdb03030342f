// Package storetest is the one contract suite that every store.Store must pass: what
// store.go promises, by theme, on whatever open gives. It knows the contract; it must
// not know a database.
//
//	func TestContract(t *testing.T) {
//		storetest.Run(t, func(t *testing.T) store.Store { return mustOpen(t) })
//	}
package storetest
