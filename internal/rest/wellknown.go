package rest

import (
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/rest/smart"
)

// smartConfiguration is the path below the base where SMART App Launch 2.2 wants it.
const smartConfiguration = "/.well-known/smart-configuration"

// Smart is what clients are told of the authorization server.
type Smart struct {
	// TokenEndpoint is where access tokens are had.
	TokenEndpoint string
}

// wellKnown is the configuration that clients discover
// (hl7.org/fhir/smart-app-launch/conformance.html).
type wellKnown struct {
	TokenEndpoint        string   `json:"token_endpoint"`
	GrantTypes           []string `json:"grant_types_supported"`
	ClientAuthentication []string `json:"token_endpoint_auth_methods_supported"`
	SigningAlgorithms    []string `json:"token_endpoint_auth_signing_alg_values_supported"`
	Scopes               []string `json:"scopes_supported"`
	CodeChallenges       []string `json:"code_challenge_methods_supported"`
	Capabilities         []string `json:"capabilities"`
}

// smartConfiguration answers with JSON whatever Accept says, as SMART wants.
func (s *server) smartConfiguration(c echo.Context) error {
	return c.Blob(http.StatusOK, echo.MIMEApplicationJSON, encode(wellKnown{
		TokenEndpoint:        s.o.Smart.TokenEndpoint,
		GrantTypes:           []string{"client_credentials"},
		ClientAuthentication: []string{"private_key_jwt"},
		SigningAlgorithms:    []string{"RS384", "ES384"},
		Scopes:               scopes(),
		CodeChallenges:       []string{"S256"},
		Capabilities:         []string{"client-confidential-asymmetric", "permission-v1", "permission-v2"},
	}))
}

// scopes are the smallest ones that grant something, from the table of what is served.
func scopes() []string {
	var all []string
	add := func(resourceType string, p smart.Permission) {
		if name := smart.Needed(resourceType, p); !slices.Contains(all, name) {
			all = append(all, name)
		}
	}
	for _, r := range resources() {
		for _, i := range r.Interactions {
			add(r.Type, i.permission())
		}
	}
	for _, resourceType := range messageTypes() {
		add(resourceType, smart.Create)
	}
	return all
}
