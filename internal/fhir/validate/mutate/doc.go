// Package mutate makes invalid resources out of valid ones, by rule from the
// published definitions: each mutant breaks one thing that the definitions say, so
// a validator must refuse it.
//
// It knows the definitions and JSON, and must not know how a validator works.
//
//	for _, m := range mutate.All(definitions.R4(), body) {
//		fmt.Println(m.Class, m.Path)
//	}
package mutate
