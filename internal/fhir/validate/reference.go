package validate

import (
	"slices"
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// reference checks a Reference: that a local one leads somewhere, that the target is
// of an allowed type, and that type says the same as the reference does.
func (w *walker) reference(m *member, n *tree.Node) {
	ref := n.Str("reference")
	if strings.HasPrefix(ref, "#") && !w.localTarget(ref) {
		w.errorf(n.Get("reference"), "reference", outcome.CodeInvariant, "ref-1",
			"%q leads nowhere: no contained resource has this id", clip(ref))
		return
	}
	target, stated := w.targetType(ref), n.Str("type")
	if stated != "" && target != "" && stated != target {
		w.errorf(n.Get("type"), "type", outcome.CodeInvalid, "reference-type", "type says %s but the reference leads to a %s", clip(stated), target)
	}
	if target == "" && w.v.schema.set.Type(stated) != nil {
		target = stated
	}
	if m.def.Ref != nil {
		w.targetAllowed(m.def.Ref.Targets, target, n)
	}
}

// targetAllowed checks a target's type, when it is known, against those allowed.
func (w *walker) targetAllowed(allowed []string, target string, at *tree.Node) {
	if target == "" || len(allowed) == 0 || slices.Contains(allowed, target) {
		return
	}
	for _, a := range allowed {
		if p := w.v.profile(definitions.StructureURL(a)); p != nil && p.Type == target {
			return
		}
	}
	w.errorf(at, "", outcome.CodeStructure, "reference-target", "the reference leads to a %s; allowed is %s", target, strings.Join(allowed, ", "))
}

// localTarget reports whether "#id" names a contained resource; "#" alone is the
// container, for the resources in it.
func (w *walker) localTarget(ref string) bool {
	if ref == "#" {
		return w.contained
	}
	return w.containedByID(ref[1:]) != nil
}

// containedByID looks a contained resource up; the first of an id counts.
func (w *walker) containedByID(id string) *tree.Node {
	if w.locals == nil {
		w.locals = map[string]*tree.Node{}
		for c := range w.container.Get("contained").Items() {
			if name := c.Str("id"); w.locals[name] == nil {
				w.locals[name] = c
			}
		}
	}
	return w.locals[id]
}

// targetType gives the resource type that a reference leads to, "" when it cannot
// be told from the content.
func (w *walker) targetType(ref string) string {
	if ref == "" {
		return ""
	}
	if n := w.find(ref); n != nil {
		return n.Str("resourceType")
	}
	t, _ := restful(w.v.schema.set, ref)
	return t
}

// restful reads "[base/]Type/id[/_history/version]" and gives type and id; "" when
// the text is no such reference.
func restful(set *definitions.Set, ref string) (typeName, id string) {
	ref, _, _ = strings.Cut(ref, "#")
	if before, _, ok := strings.Cut(ref, "/_history/"); ok {
		ref = before
	}
	slash := strings.LastIndexByte(ref, '/')
	if slash < 1 {
		return "", ""
	}
	id = ref[slash+1:]
	typeName = ref[:slash]
	if i := strings.LastIndexByte(typeName, '/'); i >= 0 {
		typeName = typeName[i+1:]
	}
	if t := set.Type(typeName); t == nil || t.Kind != definitions.Resource || idFault(id) {
		return "", ""
	}
	return typeName, id
}

func idFault(s string) bool { return id(s) != "" }

// find follows a reference within the content: to a contained resource, or to an
// entry of a Bundle around it. nil when it leads outside.
func (w *walker) find(ref string) *tree.Node {
	if local, ok := strings.CutPrefix(ref, "#"); ok {
		if local == "" {
			return w.container
		}
		return w.containedByID(local)
	}
	for b := w.bundle; b != nil; b = b.outer {
		if n := b.find(w.v.schema.set, ref); n != nil {
			return n
		}
	}
	return nil
}

// resolveValue is FHIRPath's resolve().
func (w *walker) resolveValue(ref string) (fhirpath.Value, bool) {
	n := w.find(ref)
	if n == nil {
		return fhirpath.Value{}, false
	}
	return w.env.RootOf(n), true
}

// canonical checks a canonical that names a contained resource. That it leads
// nowhere is a warning: ref-1 is a rule of Reference alone.
func (w *walker) canonical(m *member, value *tree.Node) {
	if !strings.HasPrefix(value.Text, "#") {
		return
	}
	target := w.find(value.Text)
	if target == nil {
		w.warnf(value, "", outcome.CodeNotFound, "canonical", "%q leads nowhere: no contained resource has this id", clip(value.Text))
		return
	}
	w.targetAllowed(m.def.Ref.Targets, target.Str("resourceType"), value)
}
