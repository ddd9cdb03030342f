package search

import (
	"strings"
)

// localReference splits "Type/id" or "Type/id/_history/v"; ok is false for any other
// text.
func localReference(text string) (resourceType, id string, ok bool) {
	text, _, _ = strings.Cut(text, "/_history/")
	resourceType, id, ok = strings.Cut(text, "/")
	return resourceType, id, ok && isTypeName(resourceType) && isID(id)
}

// typeAndID gives the last two steps of an absolute RESTful URL, and other texts as
// they are.
func typeAndID(url string) string {
	if !isAbsolute(url) {
		return url
	}
	url, _, _ = strings.Cut(url, "/_history/")
	parts := strings.Split(url, "/")
	if len(parts) < 5 { // scheme, "", host, type, id
		return url
	}
	return strings.Join(parts[len(parts)-2:], "/")
}

func isAbsolute(text string) bool {
	return strings.HasPrefix(text, "http://") || strings.HasPrefix(text, "https://") || strings.HasPrefix(text, "urn:")
}

func isTypeName(s string) bool {
	if s == "" || s[0] < 'A' || s[0] > 'Z' {
		return false
	}
	return strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz") == ""
}

// isID reports whether the text is an R4 id, [A-Za-z0-9\-\.]{1,64}
// (hl7.org/fhir/R4/datatypes.html#id).
func isID(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	for i := range len(s) {
		c := s[i]
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
		if !letter && (c < '0' || c > '9') && c != '-' && c != '.' {
			return false
		}
	}
	return true
}
