package smart

import (
	"strings"

	"fhirsvc/internal/fhir/outcome"
)

// Permission is a letter of a SMART 2.2 scope (hl7.org/fhir/smart-app-launch, Scopes
// for requesting FHIR Resources).
type Permission byte

// The permissions. Read is of one resource and its versions, Search of a type.
const (
	Create Permission = 'c'
	Read   Permission = 'r'
	Update Permission = 'u'
	Delete Permission = 'd'
	Search Permission = 's'
)

// letters are the permissions in the only order in which a scope may write them.
const letters = "cruds"

// longestScopes bounds the scope claim; what is longer grants nothing.
const longestScopes = 8 << 10

// everyType is the wildcard of a scope.
const everyType = "*"

// Scopes is what a token allows. The zero value allows nothing.
type Scopes struct {
	all      bool
	granted  map[string]string // type, or *, to the letters it grants
	narrowed map[string]string // the same for scopes with parameters, which grant nothing
}

// AllScopes allows everything, for a service that asks nobody who they are.
func AllScopes() Scopes { return Scopes{all: true} }

// ParseScopes reads the scope claim, scopes separated by spaces (RFC 6749 section 3.3).
// What is not a scope for resources of a system or a user grants nothing, and so does a
// scope with parameters: it asks for less than can be told apart here.
func ParseScopes(text string) Scopes {
	s := Scopes{granted: map[string]string{}, narrowed: map[string]string{}}
	if len(text) > longestScopes {
		return s
	}
	for _, scope := range strings.Fields(text) {
		scope, _, narrow := strings.Cut(scope, "?")
		resourceType, permissions, ok := parseScope(scope)
		switch {
		case !ok:
		case narrow:
			s.narrowed[resourceType] += permissions
		default:
			s.granted[resourceType] += permissions
		}
	}
	return s
}

// parseScope reads context/Type.permissions, of version 2 or 1.
func parseScope(scope string) (resourceType, permissions string, ok bool) {
	context, rest, found := strings.Cut(scope, "/")
	if !found || context != "system" && context != "user" {
		return "", "", false
	}
	resourceType, permissions, found = strings.Cut(rest, ".")
	if !found || !isType(resourceType) {
		return "", "", false
	}
	switch permissions { // version 1, as version 2 maps it
	case "read":
		return resourceType, "rs", true
	case "write":
		return resourceType, "cud", true
	case "*":
		return resourceType, letters, true
	}
	return resourceType, permissions, inOrder(permissions)
}

func isType(name string) bool {
	if name == everyType {
		return true
	}
	for i, c := range []byte(name) {
		upper, lower := c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z'
		if i == 0 && !upper || !upper && !lower {
			return false
		}
	}
	return name != ""
}

// inOrder reports whether the letters are some of cruds, each once and in that order.
func inOrder(permissions string) bool {
	from := 0
	for _, c := range []byte(permissions) {
		at := strings.IndexByte(letters[from:], c)
		if at < 0 {
			return false
		}
		from += at + 1
	}
	return permissions != ""
}

// Allows reports whether a permission on a type is granted. An AuditEvent must be named:
// the audit trail tells of all patients, and is no part of "every type" (IHE BALP,
// Security Considerations).
func (s Scopes) Allows(resourceType string, p Permission) bool {
	return s.all || has(s.granted, resourceType, p)
}

func has(grants map[string]string, resourceType string, p Permission) bool {
	if strings.IndexByte(grants[resourceType], byte(p)) >= 0 {
		return true
	}
	return resourceType != "AuditEvent" && strings.IndexByte(grants[everyType], byte(p)) >= 0
}

// Check refuses (forbidden) what is not granted, and names the scope that is missing.
func (s Scopes) Check(resourceType string, p Permission) error {
	switch {
	case s.Allows(resourceType, p):
		return nil
	case has(s.narrowed, resourceType, p):
		return outcome.Fail(outcome.CodeForbidden, "", "the scope %s is needed; a scope with parameters is too narrow for what is served here", Needed(resourceType, p))
	}
	return outcome.Fail(outcome.CodeForbidden, "", "the scope %s is needed", Needed(resourceType, p))
}

// Needed is the smallest scope that grants a permission to a system.
func Needed(resourceType string, p Permission) string {
	return "system/" + resourceType + "." + string(rune(p))
}
