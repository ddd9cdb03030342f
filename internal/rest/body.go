package rest

import (
	"io"
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/subset"
	"fhirsvc/internal/fhir/tree"
)

// readBody reads the body as it is. One that is compressed is not: what it would unfold
// to is not known beforehand (RFC 9110 section 15.5.16).
func readBody(c echo.Context) ([]byte, error) {
	if coding := c.Request().Header.Get(echo.HeaderContentEncoding); coding != "" && coding != "identity" {
		c.Response().Header().Set(echo.HeaderAcceptEncoding, "identity")
		return nil, refuse(http.StatusUnsupportedMediaType, outcome.CodeNotSupported, "a body with a Content-Encoding is not read: send it as it is")
	}
	body, err := io.ReadAll(c.Request().Body)
	if err != nil {
		return nil, err
	}
	return body, nil
}

// parsed reads a JSON body within the parser's limits of depth and size.
func parsed(body []byte) (*tree.Document, error) {
	doc, issues := tree.Parse(body)
	if doc == nil || outcome.HasErrors(issues) {
		return nil, outcome.Reject("read body", issues)
	}
	return doc, nil
}

// checkBody holds a resource against its address: type and, for an update, id
// (hl7.org/fhir/R4/http.html#update).
func checkBody(body []byte, resourceType, id string) error {
	doc, err := parsed(body)
	if err != nil {
		return err
	}
	if got := doc.Root.Str("resourceType"); got != resourceType {
		return outcome.Reject("read body", []outcome.Issue{outcome.Errorf(outcome.CodeInvalid, "resourceType",
			"the body must be a resource of the type in the address, %s", resourceType)})
	}
	if subset.IsPart(doc.Root) {
		return outcome.Reject("read body", []outcome.Issue{outcome.Errorf(outcome.CodeBusinessRule, resourceType+".meta.tag",
			"this is tagged SUBSETTED, a part of a resource: read the whole, and change that")})
	}
	if id != "" && doc.Root.Str("id") != id {
		return outcome.Reject("read body", []outcome.Issue{outcome.Errorf(outcome.CodeInvalid, resourceType+".id",
			"the id in the body must be the one in the address")})
	}
	return nil
}
