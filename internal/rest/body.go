package rest

import (
	"io"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

func readBody(c echo.Context) ([]byte, error) {
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
	if id != "" && doc.Root.Str("id") != id {
		return outcome.Reject("read body", []outcome.Issue{outcome.Errorf(outcome.CodeInvalid, resourceType+".id",
			"the id in the body must be the one in the address")})
	}
	return nil
}
