// Package mutate makes invalid resources out of valid ones, by rule from the
// published definitions: each mutant breaks one thing that R4 says, so a validator
// must refuse it. It also makes the valid ones, with every element that can stand
// beside the others, and breaks each published invariant by a table.
//
// It knows the definitions and JSON, and must not know how a validator works.
//
//	for _, m := range mutate.Of(body) {
//		fmt.Println(m.ID(), m.At)
//	}
package mutate
