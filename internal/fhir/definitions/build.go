package definitions

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// Source is what a definitions file is made from.
type Source struct {
	Name       string            // what the first line of the file says, without spaces
	Resources  map[string][]byte // JSON by file name: StructureDefinition-*, ValueSet-*, CodeSystem-*, SearchParameter-*
	Expansions map[string][]byte // JSON by file name: ValueSet-* with expansion
}

// Build makes a definitions file, the same bytes from the same source.
func Build(src Source) ([]byte, error) {
	b := &builder{exp: expander{
		codeSystems: map[string]*codeSystem{}, valueSets: map[string]*tree.Node{},
		expansions: map[string]*tree.Node{}, open: map[string]bool{},
	}}
	if err := b.read(src); err != nil {
		return nil, err
	}
	text, err := b.write(src.Name)
	if err != nil {
		return nil, err
	}
	shown, err := b.writeDisplays()
	if err != nil {
		return nil, err
	}
	first, err := compress(text)
	if err != nil {
		return nil, err
	}
	second, err := compress(shown)
	return append(first, second...), err
}

func compress(text []byte) ([]byte, error) {
	var out bytes.Buffer
	zw, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := zw.Write(text); err != nil {
		return nil, err
	}
	if err := zw.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

type builder struct {
	exp        expander
	structures []*tree.Document
	search     []SearchParameter
}

func (b *builder) read(src Source) error {
	for _, name := range sortedKeys(src.Resources) {
		kind, _, _ := strings.Cut(name, "-")
		if !slices.Contains([]string{"StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter"}, kind) {
			continue
		}
		doc, issues := tree.Parse(src.Resources[name])
		if doc == nil {
			return fmt.Errorf("read %s: %s", name, issues[0])
		}
		r := doc.Root
		switch kind {
		case "StructureDefinition":
			b.structures = append(b.structures, doc)
		case "ValueSet":
			b.exp.valueSets[r.Str("url")] = r
		case "CodeSystem":
			b.exp.codeSystems[r.Str("url")] = newCodeSystem(r)
		case "SearchParameter":
			b.search = append(b.search, searchParameter(r))
		}
	}
	for _, name := range sortedKeys(src.Expansions) {
		if !strings.HasPrefix(name, "ValueSet-") {
			continue
		}
		doc, issues := tree.Parse(src.Expansions[name])
		if doc == nil {
			return fmt.Errorf("read expansion %s: %s", name, issues[0])
		}
		b.exp.expansions[doc.Root.Str("url")] = doc.Root
	}
	return nil
}

func searchParameter(r *tree.Node) SearchParameter {
	p := SearchParameter{
		URL: r.Str("url"), Code: r.Str("code"), Type: r.Str("type"), Expression: r.Str("expression"),
		Base: texts(r.Get("base")), Targets: texts(r.Get("target")),
		Comparators: texts(r.Get("comparator")), Modifiers: texts(r.Get("modifier")),
	}
	for c := range r.Get("component").Items() {
		p.Components = append(p.Components, SearchComponent{Definition: c.Str("definition"), Expression: c.Str("expression")})
	}
	return p
}

func texts(n *tree.Node) []string {
	var out []string
	for c := range n.Items() {
		out = append(out, c.Text)
	}
	return out
}

func (b *builder) write(source string) ([]byte, error) {
	w := &lineWriter{}
	fmt.Fprintf(&w.buf, "definitions %s %s\n", Version, source)
	for _, doc := range b.structures {
		if isProfile(doc.Root) || doc.Root.Str("kind") == "logical" {
			continue
		}
		t, err := NewType(doc.Root)
		if err != nil {
			return nil, err
		}
		w.line("type", t.Name, t)
		w.bindings(&t.Shape)
	}
	if err := b.writeProfiles(w); err != nil {
		return nil, err
	}
	for _, url := range sortedKeys(w.bound) {
		w.line("valueset", url, b.exp.Expand(url))
	}
	for _, url := range sortedKeys(b.exp.codeSystems) {
		if cs := b.exp.codeSystems[url].published(url); cs != nil {
			w.line("codesystem", url, cs)
		}
	}
	fmt.Fprintf(&w.buf, "systems all %s\n", strings.Join(b.exp.systems(), " "))
	sort.Slice(b.search, func(i, j int) bool { return b.search[i].URL < b.search[j].URL })
	for _, p := range b.search {
		w.line("search", p.Code, p)
	}
	return w.buf.Bytes(), w.err
}

// writeDisplays gives the second member: what each code system calls its codes.
func (b *builder) writeDisplays() ([]byte, error) {
	w := &lineWriter{}
	for _, url := range sortedKeys(b.exp.codeSystems) {
		if s := b.exp.codeSystems[url]; s.published(url) != nil {
			w.line("displays", url, s.displays)
		}
	}
	return w.buf.Bytes(), w.err
}

func isProfile(sd *tree.Node) bool { return sd.Str("derivation") == "constraint" }

// writeProfiles compares the profiles with the types written so far.
func (b *builder) writeProfiles(w *lineWriter) error {
	packed, err := compress(w.buf.Bytes())
	if err != nil {
		return err
	}
	types, err := Open(packed)
	if err != nil {
		return err
	}
	for _, doc := range b.structures {
		if !isProfile(doc.Root) || doc.Root.Get("snapshot") == nil {
			continue
		}
		p, err := types.NewProfile(doc)
		if err != nil {
			return err
		}
		w.line("profile", p.URL, p)
		w.ruleBindings(p.Root)
	}
	return nil
}

// lineWriter writes the lines of the file and notes the value sets they name.
type lineWriter struct {
	buf   bytes.Buffer
	bound map[string]bool
	err   error
}

func (w *lineWriter) line(kind, key string, v any) {
	var body bytes.Buffer
	enc := json.NewEncoder(&body) // ends with a line break
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		w.err = err
		return
	}
	if strings.ContainsAny(key, " \n") {
		w.err = fmt.Errorf("key %q of a %s has a space", key, kind)
		return
	}
	fmt.Fprintf(&w.buf, "%s %s %s", kind, key, body.Bytes())
}

func (w *lineWriter) bind(b *Binding) {
	if b == nil {
		return
	}
	if w.bound == nil {
		w.bound = map[string]bool{}
	}
	if b.Strength != "" && b.ValueSet != "" {
		w.bound[b.ValueSet] = true
	}
	if b.MaxValueSet != "" {
		w.bound[b.MaxValueSet] = true
	}
}

func (w *lineWriter) bindings(s *Shape) {
	for _, e := range s.Elements {
		w.bind(e.Binding)
		if e.Nested != nil {
			w.bindings(e.Nested)
		}
	}
}

func (w *lineWriter) ruleBindings(r *Rule) {
	w.bind(r.Binding)
	for _, c := range r.Children {
		w.ruleBindings(c)
	}
	for _, s := range r.Slices {
		w.ruleBindings(s)
	}
}
