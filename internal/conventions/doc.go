// Package conventions holds the house rules that no linter knows. It has no code to
// call: its tests read the tree and fail where a rule is broken, and each check is
// itself shown a broken tree first, so that it cannot pass by looking at nothing.
//
// It knows files and Go syntax; it must not know what the service does.
//
//	go test ./internal/conventions/
package conventions
