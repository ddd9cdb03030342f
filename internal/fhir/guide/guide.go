package guide

import (
	"errors"
	"fmt"
	"iter"
	"path"
	"slices"
	"strings"

	"fhirsvc/api"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/tree"
)

// File is a resource of the package.
type File struct {
	Name    string // "ValueSet-task-kind.json"
	Body    []byte // JSON
	Example bool   // an instance that shows a profile, and defines nothing

	root *tree.Node
}

// Package is the project's FHIR package.
type Package struct {
	files []File // definitions in order of name, then examples in order of name
}

// New makes the package. The instance is the CapabilityStatement of a service as it gives
// it at /metadata: what must be served is taken from it. An error means that it can't be
// read, or that two resources have one name.
func New(instance []byte) (*Package, error) {
	running, err := readInstance(instance)
	if err != nil {
		return nil, err
	}
	p := &Package{}
	for _, of := range []iter.Seq2[string, []byte]{api.Conformance(), api.Protocols(), fhir.Questionnaires(), running.capabilities(), made()} {
		if err := p.add(of, false); err != nil {
			return nil, err
		}
	}
	if err := p.add(api.Examples(), true); err != nil {
		return nil, err
	}
	slices.SortFunc(p.files, inOrder)
	whole, err := file(implementationGuide(p.files), false)
	if err != nil {
		return nil, err
	}
	p.files = append(p.files, whole)
	slices.SortFunc(p.files, inOrder)
	return p, p.unique()
}

// Files gives the resources: the definitions in order of name, then the examples.
func (p *Package) Files() []File { return slices.Clone(p.files) }

func (p *Package) add(bodies iter.Seq2[string, []byte], example bool) error {
	for name, body := range bodies {
		f, err := file(body, example)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		p.files = append(p.files, f)
	}
	return nil
}

// file reads a resource that stands in the package under its type and id.
func file(body []byte, example bool) (File, error) {
	doc, issues := tree.Parse(body)
	if doc == nil {
		return File{}, fmt.Errorf("read resource: %s", issues[0])
	}
	kind, id := doc.Root.Str("resourceType"), doc.Root.Str("id")
	if kind == "" || id == "" {
		return File{}, errors.New("a resource of the package has a type and an id")
	}
	return File{Name: kind + "-" + id + ".json", Body: body, Example: example, root: doc.Root}, nil
}

// Path is where the file stands in the package folder.
func (f File) Path() string {
	if f.Example {
		return path.Join(exampleFolder, f.Name)
	}
	return f.Name
}

func inOrder(a, b File) int {
	if a.Example != b.Example {
		if b.Example {
			return -1
		}
		return 1
	}
	return strings.Compare(a.Name, b.Name)
}

func (p *Package) unique() error {
	seen := map[string]bool{}
	for _, f := range p.files {
		if seen[f.Name] {
			return fmt.Errorf("two resources of the package are named %s", f.Name)
		}
		seen[f.Name] = true
	}
	return nil
}
