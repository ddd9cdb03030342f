package rest

import (
	"crypto/cipher"
	"net/http"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
	"golang.org/x/time/rate"
)

const (
	// root is where the FHIR base is.
	root = "/fhir"
	// bodyLimit is the longest body that is read: a transaction of a whole ward round
	// is a tenth of it.
	bodyLimit = 1 << 20
)

type server struct {
	o            Options
	paging       cipher.AEAD
	capabilities capabilities
	limits       *limits
	at           map[string]door // by method and route
}

// door is what is at a route.
type door struct {
	Type        string
	interaction interaction
}

// New builds the handler of all routes. The caller sets the server's timeouts.
func New(o Options) *echo.Echo {
	if o.Timeout == 0 {
		o.Timeout = defaultTimeout
	}
	s := &server{
		o: o, paging: newPaging(o.PagingKey), at: map[string]door{},
		limits: &limits{perSecond: rate.Limit(o.RequestsPerSecond)},
	}
	s.capabilities = newCapabilities(o)
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.IPExtractor = echo.ExtractIPDirect() // no header of a client is believed
	e.HTTPErrorHandler = s.fail
	e.Pre(middleware.RemoveTrailingSlash())
	e.Use(traced, s.logged, s.recovered())
	if len(o.Origins) > 0 {
		e.Use(browsers(o.Origins))
	}
	e.Use(s.bounded, s.authenticated)
	s.routes(e)
	return e
}

func (s *server) routes(e *echo.Echo) {
	both := []string{http.MethodGet, http.MethodHead}
	e.Match(both, "/livez", alive)
	e.Match(both, "/readyz", s.ready)
	e.Match(both, root+"/metadata", s.metadata, negotiated)
	e.POST(root, s.bundle, negotiated)
	e.POST(root+"/$process-message", s.processMessage, negotiated)
	s.at["POST "+root+"/$process-message"] = door{"Bundle", interactionOperation}
	if s.o.Smart != nil {
		e.Match(both, root+smartConfiguration, s.smartConfiguration)
	}
	e.Match(both, root+"/Task/$workload", s.workload, negotiated)
	for _, method := range both {
		s.at[method+" "+root+"/Task/$workload"] = door{"Task", interactionSearch}
	}
	for _, r := range resources() {
		base := root + "/" + r.Type
		for _, i := range r.Interactions {
			e.Match(i.methods(), base+i.address(), s.handler(r.Type, i), negotiated)
			for _, method := range i.methods() {
				s.at[method+" "+base+i.address()] = door{r.Type, i}
			}
		}
		s.at["POST "+base+"/_search"] = door{r.Type, interactionSearch}
		e.POST(base+"/_search", s.searchByForm(r.Type), negotiated)
	}
}

func (s *server) handler(resourceType string, i interaction) echo.HandlerFunc {
	switch i {
	case interactionRead:
		return s.read(resourceType)
	case interactionVread:
		return s.vread(resourceType)
	case interactionHistory:
		return s.history(resourceType)
	case interactionSearch:
		return s.search(resourceType)
	case interactionCreate:
		return s.create(resourceType)
	case interactionUpdate:
		return s.update(resourceType)
	case interactionPatch:
		return s.patch(resourceType)
	case interactionOperation:
	}
	panic("rest: interaction without a handler: " + string(i))
}

func alive(c echo.Context) error { return c.String(http.StatusOK, "ok\n") }

func (s *server) ready(c echo.Context) error {
	if err := s.o.Ready(c.Request().Context()); err != nil {
		return notReady(err)
	}
	return c.String(http.StatusOK, "ok\n")
}

// base is the URL of /fhir as the client sees it, without a slash at the end.
func (s *server) base(c echo.Context) string {
	if s.o.BaseURL != "" {
		return s.o.BaseURL
	}
	scheme := "http"
	if c.IsTLS() { // not Context.Scheme, which believes the client's X-Forwarded-Proto
		scheme = "https"
	}
	return scheme + "://" + c.Request().Host + root
}
