package postgres

import (
	"cmp"
	"slices"
	"strings"

	"fhirsvc/internal/store"
)

// head is what one changeset does to one resource: it mostly adds one version, but may
// add several at once, of which the last becomes the current one.
type head struct {
	key     resourceKey
	first   int64 // must follow the current version
	last    *store.Resource
	gapless bool
}

func (h head) resourceType() string { return h.key.resourceType }
func (h head) id() string           { return h.key.id }

// isNew reports whether the resource was not there before.
func (h head) isNew() bool { return h.first == 1 }

// headsOf gives the heads of a changeset in order of their keys.
func headsOf(c *store.Changeset) []head {
	heads := make([]head, 0, len(c.Resources))
	at := make(map[resourceKey]int, len(c.Resources))
	for i := range c.Resources {
		r := &c.Resources[i]
		key := resourceKey{r.Type, r.ID}
		n, known := at[key]
		if !known {
			at[key] = len(heads)
			heads = append(heads, head{key: key, first: r.Follows() + 1, last: r, gapless: true})
			continue
		}
		h := &heads[n]
		h.gapless = h.gapless && r.Follows() == h.last.Version
		h.last = r
	}
	slices.SortFunc(heads, func(a, b head) int { return compareKeys(a.key, b.key) })
	return heads
}

func compareKeys(a, b resourceKey) int {
	return cmp.Or(strings.Compare(a.resourceType, b.resourceType), strings.Compare(a.id, b.id))
}
