package conformance

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/definitions/gen/npm"
)

// longest bounds an example. The 12 longer ones hold R4's own definitions and guide, of types
// that the service does not use, and cost some validators minutes each; ours reads them in its
// own tests.
const longest = 1 << 20

// Examples gives the example instances of HL7's package, in order of name. The
// definitions that it also holds are not among them.
func Examples() ([]Case, error) {
	files, err := npm.Files(npm.Examples())
	if err != nil {
		return nil, err
	}
	var out []Case
	for _, name := range slices.Sorted(maps.Keys(files)) {
		switch kind, _, _ := strings.Cut(name, "-"); kind {
		case "StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter", "ConceptMap", "OperationDefinition", "CompartmentDefinition":
			continue
		}
		if len(files[name]) > longest {
			continue
		}
		out = append(out, Case{ID: "published/" + name, Class: Published, Type: typeOf(files[name]), Body: files[name]})
	}
	return out, nil
}

// Folder gives the resources of a folder and of those below it, as they are in the
// service or in what it has stored: a resource in each .json file, a resource in each
// line of an .ndjson file. What is the same to the byte is taken once. In require are the
// profiles that every resource of a type must fit, by type.
func Folder(root string, require map[string][]string) ([]Case, error) {
	var out []Case
	seen := map[string]bool{}
	add := func(name string, body []byte) {
		if !seen[string(body)] {
			seen[string(body)] = true
			kind := typeOf(body)
			out = append(out, Case{ID: "stored/" + name, Class: Stored, Type: kind, Body: body, Profiles: require[kind]})
		}
	}
	err := filepath.WalkDir(root, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		body, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		switch filepath.Ext(path) {
		case ".json":
			add(filepath.ToSlash(path), body)
		case ".ndjson":
			n := 0
			for line := range strings.Lines(string(body)) {
				n++
				add(fmt.Sprintf("%s:%d", filepath.ToSlash(path), n), []byte(strings.TrimSpace(line)))
			}
		}
		return nil
	})
	if err == nil && len(out) == 0 {
		err = errors.New("no resources in " + root)
	}
	slices.SortFunc(out, func(a, b Case) int { return strings.Compare(a.ID, b.ID) })
	return out, err
}

// typeOf gives the resource type, "" when it cannot be read.
func typeOf(body []byte) string {
	var r struct{ ResourceType string }
	if json.Unmarshal(body, &r) != nil {
		return ""
	}
	return r.ResourceType
}
