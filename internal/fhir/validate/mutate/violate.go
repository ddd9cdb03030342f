package mutate

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// violation breaks one invariant of a resource type, starting from a seed.
type violation struct {
	key  string            // the invariant, and after "/" which way it is broken; or "class: what"
	seed string            // name of the seed
	set  map[string]string // path of members and indexes to JSON; "" takes the member away
}

// mutant breaks the seed of that name.
func (v violation) mutant(seeds []Seed) Mutant {
	i := slices.IndexFunc(seeds, func(s Seed) bool { return s.Name == v.seed })
	body := seeds[i].Body
	for _, path := range slices.Sorted(maps.Keys(v.set)) {
		body = set(body, path, v.set[path])
	}
	class, what, ok := strings.Cut(v.key, ": ")
	if !ok {
		class, what = Invariant, v.key
	}
	typ, _, _ := strings.Cut(v.seed, "-")
	return Mutant{Type: typ, Class: class, What: what, Body: body}
}

// set writes or deletes at a path such as "contact/0/name".
func set(body []byte, path, text string) []byte {
	doc, _ := tree.Parse(body)
	before, last, _ := cutLast("/"+path, "/")
	parent := doc.Root
	for step := range strings.SplitSeq(strings.TrimPrefix(before, "/"), "/") {
		if step != "" {
			parent = follow(parent, step)
		}
	}
	switch at := follow(parent, last); {
	case parent == nil:
		panic(fmt.Sprintf("%s leads nowhere in %s", path, body))
	case text == "":
		return render(doc, dropped(at))
	case at != nil:
		return render(doc, replaced(at, text))
	}
	return render(doc, added(parent, quote(last)+":"+text))
}

func follow(n *tree.Node, step string) *tree.Node {
	if i, err := strconv.Atoi(step); err == nil {
		return n.At(i)
	}
	return n.Get(step)
}
