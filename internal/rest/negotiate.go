package rest

import (
	"mime"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir/outcome"
)

const (
	// contentType is that of every body with a resource in it.
	contentType = "application/fhir+json; charset=utf-8"
	jsonPatch   = "application/json-patch+json"
	webForm     = "application/x-www-form-urlencoded"
)

// negotiated refuses a request that wants another format than JSON of R4
// (hl7.org/fhir/R4/http.html#mime-type).
func negotiated(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		wanted := c.Request().Header.Values("Accept")
		if format := c.QueryParam("_format"); format != "" {
			wanted = []string{strings.ReplaceAll(format, " ", "+")} // a + that was not escaped
		}
		if len(wanted) > 0 && !acceptable(strings.Join(wanted, ",")) {
			return refuse(http.StatusNotAcceptable, outcome.CodeNotSupported,
				"only application/fhir+json of FHIR version 4.0 is served")
		}
		return next(c)
	}
}

func acceptable(accept string) bool {
	for part := range strings.SplitSeq(accept, ",") {
		name, params, err := mime.ParseMediaType(strings.TrimSpace(part))
		if err != nil || !isR4(params) {
			continue
		}
		if q, stated := params["q"]; stated && strings.Trim(q, "0.") == "" {
			continue // q=0.000: anything but this
		}
		switch name {
		case "*/*", "application/*", "application/fhir+json", "application/json", "json":
			return true
		}
	}
	return false
}

// isR4 reads the fhirVersion parameter, hl7.org/fhir/R4/http.html#version-parameter.
func isR4(params map[string]string) bool {
	version, stated := params["fhirversion"]
	return !stated || version == "4.0" || version == "4.0.1"
}

// mustBe refuses a body of another type than the allowed ones.
func mustBe(c echo.Context, allowed ...string) error {
	name, params, err := mime.ParseMediaType(c.Request().Header.Get(echo.HeaderContentType))
	charset := strings.ToLower(params["charset"])
	if err == nil && isR4(params) && (charset == "" || charset == "utf-8") {
		for _, a := range allowed {
			if name == a {
				return nil
			}
		}
	}
	return refuse(http.StatusUnsupportedMediaType, outcome.CodeNotSupported,
		"the Content-Type here is %s, in UTF-8, of FHIR version 4.0", strings.Join(allowed, " or "))
}

func mustBeResource(c echo.Context) error {
	return mustBe(c, "application/fhir+json", "application/json")
}
