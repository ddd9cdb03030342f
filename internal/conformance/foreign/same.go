package foreign

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"maps"
	"reflect"
	"slices"
	"strings"
)

// Differences compares a resource of the service with its copy at another server, and names what
// is not the same by where it is. These may differ, and nothing else:
//
//   - the id of the resource, and meta.versionId, meta.lastUpdated and meta.source;
//   - the id of a resource in a Bundle whose fullUrl is that id as a urn:uuid;
//   - where a reference leads: to the copy of what it leads to here. What has no copy is referred
//     to by type and identifier instead;
//   - a resource that has no identifier has its id here as one.
//
// Members may stand in any order; lists not. Numbers are compared as they are written: 1.50 is
// not 1.5. The narrative is compared as XML.
//
// leads gives for a reference what must be there in its place.
func Differences(ours, theirs Resource, leads func(reference string) Resource) []string {
	want := object(expected(ours, leads))
	if want["identifier"] == nil {
		added := Resource{"system": "urn:ietf:rfc:3986", "value": "urn:uuid:" + text(ours["id"])}
		want["identifier"] = []any{added}
		if ours["resourceType"] == "QuestionnaireResponse" { // it has but one
			want["identifier"] = added
		}
	}
	return differences("", stripped(want), stripped(theirs))
}

// expected is a value of ours as it must be there.
func expected(v any, leads func(reference string) Resource) any {
	switch v := v.(type) {
	case Resource:
		to := leads(text(v["reference"]))
		made := Resource{}
		for name, child := range v {
			if name != "reference" || to == nil {
				made[name] = expected(child, leads)
			}
		}
		for name, child := range to {
			if made[name] == nil { // what the reference says of itself stays
				made[name] = child
			}
		}
		return made
	case []any:
		made := make([]any, len(v))
		for i, child := range v {
			made[i] = expected(child, leads)
		}
		return made
	}
	return v
}

// stripped is a resource without what each server gives its own.
func stripped(r Resource) Resource {
	copied := maps.Clone(r)
	delete(copied, "id")
	meta := maps.Clone(object(copied["meta"]))
	delete(meta, "versionId")
	delete(meta, "lastUpdated")
	delete(meta, "source")
	delete(copied, "meta")
	if len(meta) > 0 {
		copied["meta"] = meta
	}
	if r["resourceType"] == "Bundle" {
		var entries []any
		for _, e := range list(r["entry"]) {
			entries = append(entries, named(object(e)))
		}
		copied["entry"] = entries
	}
	return copied
}

// named is an entry of a Bundle without the id of its resource, if fullUrl says it as well.
func named(entry Resource) Resource {
	r := object(entry["resource"])
	if entry["fullUrl"] != "urn:uuid:"+text(r["id"]) {
		return entry
	}
	entry, r = maps.Clone(entry), maps.Clone(r)
	delete(r, "id")
	entry["resource"] = r
	return entry
}

func differences(at string, want, got any) []string {
	switch w := want.(type) {
	case Resource:
		g, ok := got.(Resource)
		if !ok {
			return []string{differs(at, want, got)}
		}
		var all []string
		names := maps.Clone(w)
		maps.Copy(names, g)
		for _, name := range slices.Sorted(maps.Keys(names)) {
			all = append(all, differences(strings.TrimPrefix(at+"."+name, "."), w[name], g[name])...)
		}
		return all
	case []any:
		g, ok := got.([]any)
		if !ok || len(g) != len(w) {
			return []string{differs(at, want, got)}
		}
		var all []string
		for i := range w {
			all = append(all, differences(fmt.Sprintf("%s[%d]", at, i), w[i], g[i])...)
		}
		return all
	}
	if want == got || strings.HasSuffix("."+at, ".text.div") && sameNarrative(text(want), text(got)) {
		return nil
	}
	return []string{differs(at, want, got)}
}

// differs says what differs, of long texts from a little before the first letter that does.
func differs(at string, want, got any) string {
	const before, length = 20, 120
	w, g := fmt.Sprint(want), fmt.Sprint(got)
	same := 0
	for same < min(len(w), len(g)) && w[same] == g[same] {
		same++
	}
	from := max(same-before, 0)
	return fmt.Sprintf("%s: %.*q here, %.*q there", at, length, w[from:], length, g[from:])
}

// sameNarrative compares XHTML as XML: a server may write the character instead of a reference to it.
func sameNarrative(a, b string) bool {
	one, err := narrative(a)
	other, err2 := narrative(b)
	return err == nil && err2 == nil && slices.EqualFunc(one, other, func(x, y xml.Token) bool { return reflect.DeepEqual(x, y) })
}

func narrative(div string) ([]xml.Token, error) {
	d := xml.NewDecoder(strings.NewReader(div))
	var all []xml.Token
	for {
		t, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all, nil
		}
		if err != nil {
			return nil, err
		}
		all = append(all, xml.CopyToken(t))
	}
}
