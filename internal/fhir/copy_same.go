package fhir

import (
	"math/big"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// SameCopy reports whether what another server has is our copy, as RenderCopy wrote it. Id,
// meta and narrative are the other server's to set; members may stand in any order, numbers in
// any notation of the same value, and a base before literal references.
func SameCopy(ours, theirs *tree.Document) bool {
	return sameNode(ours.Root, theirs.Root, true)
}

func sameNode(a, b *tree.Node, root bool) bool {
	switch {
	case a.Is(tree.Object) && b.Is(tree.Object):
		return sameMembers(a, b, root) && sameMembers(b, a, root)
	case a.Is(tree.Array) && b.Is(tree.Array):
		if a.Len() != b.Len() {
			return false
		}
		other := b.First()
		for i := range a.Items() {
			if !sameNode(i, other, false) {
				return false
			}
			other = other.Next()
		}
		return true
	case a.Is(tree.Number) && b.Is(tree.Number):
		x, okX := new(big.Rat).SetString(a.Text)
		y, okY := new(big.Rat).SetString(b.Text)
		return okX && okY && x.Cmp(y) == 0
	case a.Name == "reference" && a.Is(tree.String) && b.Is(tree.String):
		return sameLink(a.Text, b.Text)
	}
	return a.Kind == b.Kind && a.Text == b.Text
}

// sameMembers reports whether each member of a is in b.
func sameMembers(a, b *tree.Node, root bool) bool {
	for m := range a.Members() {
		if root && (m.Name == "id" || m.Name == "meta" || m.Name == "text") {
			continue
		}
		other := b.Get(m.Name)
		if other == nil || !sameNode(m, other, false) {
			return false
		}
	}
	return true
}

// sameLink compares references from the end, since a server may write its own base before them.
func sameLink(a, b string) bool {
	return a == b || strings.HasSuffix(a, "/"+b) || strings.HasSuffix(b, "/"+a)
}
