package rest

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/search"
)

// capabilities says what /metadata is made from; only the base URL comes from a request.
type capabilities struct {
	version string
	built   string
	cors    bool
	smart   *Smart
}

func newCapabilities(o Options) capabilities {
	return capabilities{version: o.Version, built: o.Built.UTC().Format(time.RFC3339), cors: len(o.Origins) > 0, smart: o.Smart}
}

// metadata is the CapabilityStatement, made from the table that the routes are made
// from. Its entity tag changes with its content.
func (s *server) metadata(c echo.Context) error {
	body := encode(s.capabilities.statement(s.base(c)))
	sum := sha256.Sum256(body)
	tag := hex.EncodeToString(sum[:8])
	c.Response().Header().Set("ETag", `W/"`+tag+`"`)
	if c.Request().Header.Get("If-None-Match") == `W/"`+tag+`"` {
		return c.NoContent(http.StatusNotModified)
	}
	return c.Blob(http.StatusOK, contentType, body)
}

// Capability is what a service of these options says of itself at /metadata, under a base
// URL: an R4 CapabilityStatement.
func Capability(o Options, base string) []byte { return encode(newCapabilities(o).statement(base)) }

// The types below are R4 CapabilityStatement as far as it is written here
// (hl7.org/fhir/R4/capabilitystatement.html).
type capabilityStatement struct {
	ResourceType   string         `json:"resourceType"`
	Status         string         `json:"status"`
	Date           string         `json:"date"`
	Kind           string         `json:"kind"`
	Instantiates   []string       `json:"instantiates"`
	Software       software       `json:"software"`
	Implementation implementation `json:"implementation"`
	FHIRVersion    string         `json:"fhirVersion"`
	Format         []string       `json:"format"`
	PatchFormat    []string       `json:"patchFormat"`
	Guide          []string       `json:"implementationGuide"`
	REST           []restful      `json:"rest"`
}

type software struct {
	Name        string `json:"name"`
	Version     string `json:"version,omitempty"`
	ReleaseDate string `json:"releaseDate"`
}

type implementation struct {
	Description string `json:"description"`
	URL         string `json:"url"`
}

type restful struct {
	Mode          string               `json:"mode"`
	Documentation string               `json:"documentation"`
	Security      security             `json:"security"`
	Resource      []resourceCapability `json:"resource"`
	Interaction   []codeOf             `json:"interaction"`
	Operation     []named              `json:"operation"`
}

type security struct {
	CORS        bool                   `json:"cors"`
	Service     []fhir.CodeableConcept `json:"service,omitempty"`
	Description string                 `json:"description"`
}

type codeOf struct {
	Code string `json:"code"`
}

type named struct {
	Name       string `json:"name"`
	Definition string `json:"definition"`
	Type       string `json:"type,omitempty"`
}

type resourceCapability struct {
	Extension         []fhir.Extension `json:"extension,omitempty"`
	Type              string           `json:"type"`
	SupportedProfile  []string         `json:"supportedProfile,omitempty"`
	Interaction       []codeOf         `json:"interaction"`
	Versioning        string           `json:"versioning"`
	ReadHistory       bool             `json:"readHistory"`
	UpdateCreate      bool             `json:"updateCreate"`
	ConditionalCreate bool             `json:"conditionalCreate"`
	ConditionalRead   string           `json:"conditionalRead"`
	SearchInclude     []string         `json:"searchInclude,omitempty"`
	SearchRevInclude  []string         `json:"searchRevInclude,omitempty"`
	SearchParam       []named          `json:"searchParam"`
	Operation         []named          `json:"operation,omitempty"`
}

func (k capabilities) statement(base string) capabilityStatement {
	return capabilityStatement{
		ResourceType: "CapabilityStatement", Status: "active", Date: k.built, Kind: "instance",
		Instantiates: []string{fhir.CanonicalCapability + "|" + fhir.Published, fhir.CapabilitySubscriptions},
		Software:     software{Name: "fhirsvc", Version: k.version, ReleaseDate: k.built},
		Implementation: implementation{
			Description: "Stepwise release of a radial compression band: plans, tasks and findings", URL: base,
		},
		FHIRVersion: "4.0.1",
		Format:      []string{"application/fhir+json", "json"},
		PatchFormat: []string{jsonPatch},
		Guide:       []string{fhir.CanonicalGuide + "|" + fhir.Published},
		REST: []restful{{
			Mode:          "server",
			Documentation: "Search is strict: a parameter that is not listed is refused unless Prefer: handling=lenient is sent.",
			Security:      k.security(),
			Resource:      resourceCapabilities(),
			Interaction:   []codeOf{{"transaction"}, {"batch"}},
			Operation:     operationsOf(""),
		}},
	}
}

// security says how clients are known, with the code of SMART App Launch; where they get
// tokens is in its configuration. The extension for that is deprecated, and wants an address
// for authorizing, which is not for systems (hl7.org/fhir/smart-app-launch/conformance.html).
func (k capabilities) security() security {
	if k.smart == nil {
		return security{CORS: k.cors, Description: "No authentication is done here: keep it on a trusted network."}
	}
	return security{
		CORS: k.cors,
		Service: []fhir.CodeableConcept{{Coding: []fhir.Coding{{
			System: "http://terminology.hl7.org/CodeSystem/restful-security-service", Code: "SMART-on-FHIR",
		}}}},
		Description: "SMART Backend Services: a Bearer token from " + k.smart.TokenEndpoint +
			" with scopes of version 1 or 2; clients see their own units.",
	}
}

func resourceCapabilities() []resourceCapability {
	var out []resourceCapability
	for _, r := range resources() {
		k := resourceCapability{
			Type: r.Type, Versioning: "versioned", ReadHistory: true, ConditionalRead: "full-support", Operation: operationsOf(r.Type),
			SearchInclude: search.IncludesOf(r.Type), SearchRevInclude: search.RevIncludesOf(r.Type),
		}
		for _, p := range profiles.All() {
			if p.Type == r.Type {
				k.SupportedProfile = append(k.SupportedProfile, p.URL)
			}
		}
		if r.Type == "Subscription" {
			k.subscribing()
		}
		for _, i := range r.Interactions {
			k.Interaction = append(k.Interaction, codeOf{string(i)})
			switch i {
			case interactionCreate:
				k.ConditionalCreate = true
			case interactionUpdate:
				k.Versioning = "versioned-update"
			case interactionRead, interactionVread, interactionHistory, interactionHistoryType, interactionSearch, interactionPatch, interactionOperation:
			}
		}
		for _, p := range search.Params(r.Type) {
			k.SearchParam = append(k.SearchParam, named{Name: p.Code, Definition: p.Definition, Type: p.Kind.String()})
		}
		out = append(out, k)
	}
	return out
}

// subscribing names the topics, where the backport guide has R4 servers name them
// (hl7.org/fhir/uv/subscriptions-backport/STU1.1/StructureDefinition-capabilitystatement-subscriptiontopic-canonical.html).
func (k *resourceCapability) subscribing() {
	k.SupportedProfile = append(k.SupportedProfile, fhir.ProfileSubscription)
	for _, t := range fhir.Topics() {
		k.Extension = append(k.Extension, fhir.Extension{URL: fhir.ExtensionTopic, ValueCanonical: t.URL})
	}
}
