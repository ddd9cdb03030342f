package validate

import (
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// primitive checks the value of a primitive and what stands in its companion.
func (w *walker) primitive(m *member, value, ext *tree.Node) {
	if ext != nil {
		w.companion(m, value, ext)
	}
	if value == nil {
		return
	}
	if m.kind == narrativeValue {
		w.narrative(value)
		return
	}
	if value.Kind != m.format.kind {
		w.errorf(value, "", outcome.CodeStructure, "type", "%s must be a %s, it is a %s",
			m.def.Name, m.format.kind, value.Kind)
		return
	}
	if fault := m.format.check(value.Text); fault != "" {
		w.errorf(value, "", outcome.CodeValue, m.def.Type.Name, "%q is not a valid %s: %s", clip(value.Text), m.def.Type.Name, fault)
		return
	}
	if m.element.binding != nil && value.Kind == tree.String {
		w.coded(m.element.binding, m, value)
	}
	if m.def.Ref != nil && m.def.Type.Name == "canonical" {
		w.canonical(m, value)
	}
}

// companion walks the id and the extensions of a primitive.
func (w *walker) companion(m *member, value, ext *tree.Node) {
	if ext.Kind != tree.Object {
		w.errorf(ext, "", outcome.CodeStructure, "companion", "_%s must be an object with id or extension, it is a %s", m.def.Name, ext.Kind)
		return
	}
	if value == nil && onlyID(ext) {
		w.errorf(ext, "", outcome.CodeInvariant, "ele-1", "an element must have a value or children: give it one or leave it out")
	}
	w.object(ext, m.shape)
}
