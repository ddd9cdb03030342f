package rest

import (
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"
)

// Route is a line of the one table of addresses: what is routed, and what api/openapi.yaml
// and docs/api.md say of it, come from here.
type Route struct {
	Methods []string // the first says the most; HEAD stands beside every GET
	Path    string   // a template such as /fhir/Task/:id
	// Type is the resource type that it is about, "" for none; Interaction what R4 calls
	// it (ValueSet type-restful-interaction and system-restful-interaction), "" for what R4
	// does not name.
	Type        string
	Interaction string
	// Operation is the name of the operation without its $, Definition its canonical URL;
	// "" for a plain interaction. Query, Takes and Gives are as in the table of operations.
	Operation, Definition string
	Query                 []Parameter
	Takes, Gives          string
	Summary               string
	// Open: everybody who may connect may ask. OnlySmart: not there without SMART.
	Open, OnlySmart bool

	told   door // what scopes and audit trail take it for
	asIs   bool // answers whatever Accept says
	handle func(*server) echo.HandlerFunc
}

// Routes gives the table of addresses in order: probes, what is said of the service,
// Bundles, operations, and each type's interactions.
func Routes() []Route {
	all := append(plainRoutes(), operationRoutes()...)
	for _, r := range resources() {
		for _, i := range r.Interactions {
			all = append(all, i.routes(r.Type)...)
		}
	}
	return all
}

func get() []string { return []string{http.MethodGet, http.MethodHead} }

func plainRoutes() []Route {
	return []Route{
		{
			Methods: get(), Path: "/livez", Summary: "Is the process up?", Open: true, asIs: true,
			handle: func(*server) echo.HandlerFunc { return alive },
		},
		{
			Methods: get(), Path: "/readyz", Summary: "Can it take requests?", Open: true, asIs: true,
			handle: func(s *server) echo.HandlerFunc { return s.ready },
		},
		{
			Methods: get(), Path: front, Gives: "text/html", Summary: "What this is, to a browser; to all others there is nothing.", Open: true, asIs: true,
			handle: func(s *server) echo.HandlerFunc { return s.front },
		},
		{
			Methods: get(), Path: "/interface", Gives: "text/html", Summary: "The addresses, to be read.", Open: true, asIs: true,
			handle: func(s *server) echo.HandlerFunc { return s.interfacePage },
		},
		{
			Methods: get(), Path: "/openapi.yaml", Gives: mediaYAML, Summary: "The interface in OpenAPI 3.1.", Open: true, asIs: true,
			handle: func(*server) echo.HandlerFunc { return openAPI },
		},
		{
			Methods: get(), Path: "/docs/:name", Gives: "text/plain", Summary: "A page of the documentation, Markdown.", Open: true, asIs: true,
			handle: func(*server) echo.HandlerFunc { return document },
		},
		{
			Methods: get(), Path: root + "/metadata", Interaction: "capabilities", Gives: "CapabilityStatement",
			Summary: "What the service offers.", Open: true,
			handle: func(s *server) echo.HandlerFunc { return s.metadata },
		},
		{
			Methods: get(), Path: root + smartConfiguration, Gives: echo.MIMEApplicationJSON,
			Summary: "Where clients get tokens, with SMART alone.", Open: true, OnlySmart: true, asIs: true,
			handle: func(s *server) echo.HandlerFunc { return s.smartConfiguration },
		},
		{
			Methods: []string{http.MethodPost}, Path: root, Interaction: "transaction", Takes: "Bundle", Gives: "Bundle",
			Summary: "A batch or a transaction.",
			handle:  func(s *server) echo.HandlerFunc { return s.bundle },
		},
	}
}

func operationRoutes() []Route {
	var out []Route
	for _, o := range operations() {
		methods := []string{o.Method}
		if o.Method == http.MethodGet {
			methods = get()
		}
		out = append(out, Route{
			Methods: methods, Path: root + o.path(), Type: o.Type, Interaction: string(interactionOperation),
			Operation: o.Name, Definition: o.Definition, Query: o.Query, Takes: o.Takes, Gives: o.Gives, Summary: o.Summary,
			told: door{o.Of, o.Counts}, asIs: strings.Contains(o.Gives, "/"), handle: o.handle,
		})
	}
	return out
}

// routes are the addresses of an interaction with a type.
func (i interaction) routes(resourceType string) []Route {
	at := func(methods []string, below, summary, takes, gives string, handle func(*server, string) echo.HandlerFunc) Route {
		return Route{
			Methods: methods, Path: root + "/" + resourceType + below, Type: resourceType, Interaction: string(i),
			Summary: summary, Takes: takes, Gives: gives, told: door{resourceType, i},
			handle: func(s *server) echo.HandlerFunc { return handle(s, resourceType) },
		}
	}
	post, put, patch := []string{http.MethodPost}, []string{http.MethodPut}, []string{http.MethodPatch}
	switch i {
	case interactionRead:
		return []Route{at(get(), "/:id", "The current version, byte for byte as stored.", "", resourceType, (*server).read)}
	case interactionVread:
		return []Route{at(get(), "/:id/_history/:version", "One version.", "", resourceType, (*server).vread)}
	case interactionHistory:
		return []Route{at(get(), "/:id/_history", "The versions of one, newest first.", "", "Bundle", (*server).history)}
	case interactionHistoryType:
		return []Route{at(get(), "/_history", "The versions of all, newest first.", "", "Bundle", (*server).historyOfType)}
	case interactionSearch:
		return []Route{
			at(get(), "", "Search.", "", "Bundle", (*server).search),
			at(post, "/_search", "Search, with the parameters in the body.", webForm, "Bundle", (*server).searchByForm),
		}
	case interactionCreate:
		return []Route{at(post, "", "Create.", resourceType, resourceType, (*server).create)}
	case interactionUpdate:
		return []Route{at(put, "/:id", "Update.", resourceType, resourceType, (*server).update)}
	case interactionPatch:
		return []Route{at(patch, "/:id", "Change by JSON Patch (RFC 6902).", jsonPatch, resourceType, (*server).patch)}
	case interactionOperation: // of the table of operations
	}
	panic("rest: interaction without a route: " + string(i))
}
