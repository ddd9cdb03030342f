package rest

import (
	"context"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/rest/smart"
)

// messageTypes are the types of which an event makes resources.
func messageTypes() []string {
	return []string{
		"Device", "Encounter", "MedicationAdministration", "Observation", "Patient", "Practitioner", "Procedure", "ServiceRequest",
	}
}

// processMessage is R4's $process-message, answered at once
// (hl7.org/fhir/R4/messageheader-operation-process-message.html).
func (s *server) processMessage(c echo.Context) error {
	if err := mustBeResource(c); err != nil {
		return err
	}
	query := c.QueryParams()
	if query.Get("async") == "false" { // some clients say what is the default anyway
		query.Del("async")
	}
	if err := onlyFormat(query); err != nil { // async=true and response-url
		return err
	}
	ctx := c.Request().Context()
	k := callOf(ctx)
	a := k.Client.Access()
	a.Interaction, a.Type = string(interactionOperation), "Bundle"
	body, err := s.message(ctx, k, c)
	if err != nil {
		s.note(a, err)
		return err
	}
	return c.Blob(http.StatusOK, contentType, body)
}

func (s *server) message(ctx context.Context, k smart.Caller, c echo.Context) ([]byte, error) {
	if !k.Scopes.Allows("Encounter", smart.Create) { // of an event about an encounter alone
		if err := permit(k, "Procedure", smart.Create); err != nil {
			return nil, err
		}
	}
	body, err := readBody(c)
	if err != nil {
		return nil, err
	}
	if err := permitMessage(k, body); err != nil {
		return nil, err
	}
	answer, err := s.o.Messaging.Message(ctx, episode.Message{
		Body: body, ContentType: c.Request().Header.Get(echo.HeaderContentType), Door: episode.DoorHTTP, By: k.Client,
	})
	return answer.Response, err
}

// permitMessage wants the scope to create each kind of resource that the event brings,
// since SMART has none for operations. What can't be read is refused by who reads it.
func permitMessage(k smart.Caller, body []byte) error {
	doc, issues := tree.Parse(body)
	if doc == nil || outcome.HasErrors(issues) {
		return nil
	}
	for e := range doc.Root.Get("entry").Items() {
		resourceType := e.Get("resource").Str("resourceType")
		if !slices.Contains(messageTypes(), resourceType) {
			continue
		}
		if err := permit(k, resourceType, smart.Create); err != nil {
			return err
		}
	}
	return nil
}
