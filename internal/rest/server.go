package rest

import (
	"cmp"
	"crypto/cipher"
	"net/http"
	"time"

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
	public       map[string]bool // by route: for everybody who may connect
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
	if o.Clock == nil {
		o.Clock = time.Now
	}
	s := &server{
		o: o, paging: newPaging(o.PagingKey), at: map[string]door{}, public: map[string]bool{},
		limits: &limits{perSecond: rate.Limit(o.RequestsPerSecond)},
	}
	s.capabilities = newCapabilities(o)
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.IPExtractor = echo.ExtractIPDirect() // no header of a client is believed
	e.HTTPErrorHandler = s.fail
	e.Pre(middleware.RemoveTrailingSlash())
	e.Use(compressed(), traced, s.observed, s.logged, s.recovered())
	if len(o.Origins) > 0 {
		e.Use(browsers(o.Origins))
	}
	e.Use(s.bounded, s.authenticated)
	s.routes(e)
	return e
}

// routes puts the table of addresses on the wire.
func (s *server) routes(e *echo.Echo) {
	for _, r := range Routes() {
		if r.OnlySmart && s.o.Smart == nil {
			continue
		}
		var before []echo.MiddlewareFunc
		if !r.asIs {
			before = append(before, negotiated)
		}
		e.Match(r.Methods, r.Path, r.handle(s), before...)
		s.public[r.Path] = r.Open
		for _, method := range r.Methods {
			s.at[method+" "+r.Path] = r.told
		}
	}
}

func alive(c echo.Context) error { return c.String(http.StatusOK, "ok\n") }

func (s *server) ready(c echo.Context) error {
	remark, err := s.o.Ready(c.Request().Context())
	if err != nil {
		return notReady(err)
	}
	return c.String(http.StatusOK, cmp.Or(remark, "ok")+"\n")
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
