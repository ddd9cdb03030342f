package rest

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
)

// processMessage is R4's $process-message, answered at once
// (hl7.org/fhir/R4/messageheader-operation-process-message.html).
func (s *server) processMessage(c echo.Context) error {
	if err := mustBeResource(c); err != nil {
		return err
	}
	if err := onlyFormat(c.QueryParams()); err != nil { // async and response-url
		return err
	}
	body, err := readBody(c)
	if err != nil {
		return err
	}
	answer, err := s.o.Messaging.Message(c.Request().Context(), episode.Message{
		Body: body, ContentType: c.Request().Header.Get(echo.HeaderContentType), Door: episode.DoorHTTP,
	})
	if err != nil {
		return err
	}
	return c.Blob(http.StatusOK, contentType, answer.Response)
}
