package rest

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/subset"
	"fhirsvc/internal/store"
)

// reply is a success, before it becomes an HTTP response or an entry of a Bundle.
type reply struct {
	status   int
	body     []byte // a resource
	resource *store.Resource
	change   bool // made by a POST, PUT or PATCH
	created  bool // by a POST, also a repeated one
	warnings []outcome.Issue
}

// found is the reply to a read of one version, as far as the view reaches.
func found(v subset.View, r store.Resource, err error) (reply, error) {
	if err != nil {
		return reply{}, err
	}
	part, err := partOf(v, r.Body)
	return reply{status: http.StatusOK, body: part, resource: &r}, err
}

// etag is the weak entity tag of a version, hl7.org/fhir/R4/http.html#versioning.
func etag(version int64) string { return `W/"` + strconv.FormatInt(version, 10) + `"` }

// location is the address of a version below the base.
func location(r *store.Resource) string {
	return r.Type + "/" + r.ID + "/_history/" + strconv.FormatInt(r.Version, 10)
}

// answer writes a reply as an HTTP response.
func (s *server) answer(c echo.Context, r reply) error {
	h := c.Response().Header()
	if r.resource != nil {
		h.Set("ETag", etag(r.resource.Version))
		h.Set(echo.HeaderLastModified, r.resource.Updated.UTC().Format(http.TimeFormat))
		if r.created {
			h.Set(echo.HeaderLocation, s.base(c)+"/"+location(r.resource))
		}
	}
	switch c.Request().Method {
	case http.MethodGet, http.MethodHead:
		if r.resource != nil && unchanged(c.Request().Header, r.resource) {
			return c.NoContent(http.StatusNotModified)
		}
	default:
		switch preferred(c.Request().Header, "return") {
		case "minimal":
			return c.NoContent(r.status)
		case "OperationOutcome":
			return c.Blob(r.status, contentType, outcome.JSON(r.warnings))
		}
	}
	return c.Blob(r.status, contentType, r.body)
}

// unchanged reports whether a client has a version already, by its tag or, when it names
// none, by its time to the second (RFC 9110 section 13.1.3).
func unchanged(h http.Header, r *store.Resource) bool {
	if tags := h.Get("If-None-Match"); tags != "" {
		return matches(tags, r.Version)
	}
	since, err := http.ParseTime(h.Get("If-Modified-Since"))
	return err == nil && !r.Updated.Truncate(time.Second).After(since)
}

// matches reads If-None-Match: a list of entity tags, weak or not, or *.
func matches(header string, version int64) bool {
	if header == "" {
		return false
	}
	for tag := range strings.SplitSeq(header, ",") {
		tag = strings.TrimPrefix(strings.TrimSpace(tag), "W/")
		if tag == "*" || tag == `"`+strconv.FormatInt(version, 10)+`"` {
			return true
		}
	}
	return false
}

// preferred gives a preference of the Prefer header (RFC 7240), "" when it is not set.
func preferred(h http.Header, name string) string {
	for _, line := range h.Values("Prefer") {
		for part := range strings.FieldsFuncSeq(line, func(r rune) bool { return r == ',' || r == ';' }) {
			key, value, _ := strings.Cut(strings.TrimSpace(part), "=")
			if strings.EqualFold(strings.TrimSpace(key), name) {
				return strings.Trim(strings.TrimSpace(value), `"`)
			}
		}
	}
	return ""
}

// instant writes a time as R4 instant, in UTC.
func instant(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000Z") }
