package rest

import (
	"mime"
	"net/http"
	"slices"
	"strconv"
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
		if accept := accepted(c); accept != "" && !acceptable(accept) {
			return refuse(http.StatusNotAcceptable, outcome.CodeNotSupported,
				"only application/fhir+json of FHIR version 4.0 is served")
		}
		return next(c)
	}
}

// accepted is the list of what a client takes, "" when it does not say.
func accepted(c echo.Context) string {
	if format := c.QueryParam("_format"); format != "" {
		return strings.ReplaceAll(format, " ", "+") // a + that was not escaped
	}
	return strings.Join(c.Request().Header.Values("Accept"), ",")
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

// best gives which of the offered media types a client would rather have, the first of
// equals and when it does not say; "" when it takes none (RFC 9110 section 12.5.1).
func best(accept string, offers ...string) string {
	if accept == "" {
		return offers[0]
	}
	chosen, most := "", 0.0
	for _, offer := range offers {
		if q := quality(accept, offer); q > most {
			chosen, most = offer, q
		}
	}
	return chosen
}

// quality is how much a client wants a media type: the weight of the range that names it
// most closely.
func quality(accept, offer string) float64 {
	kind, _, _ := strings.Cut(offer, "/")
	q, closest := 0.0, -1
	for part := range strings.SplitSeq(accept, ",") {
		name, params, err := mime.ParseMediaType(strings.TrimSpace(part))
		close := slices.Index([]string{"*/*", kind + "/*", offer}, name)
		if err != nil || close <= closest || !isR4(params) {
			continue
		}
		q, closest = 1, close
		if stated, err := strconv.ParseFloat(params["q"], 64); err == nil {
			q = stated
		}
	}
	return q
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
