package rest

import (
	"bytes"
	"crypto/sha256"
	_ "embed" // the page
	"encoding/base64"
	"html/template"
	"io/fs"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"fhirsvc/api"
	"fhirsvc/docs"
	"fhirsvc/internal/fhir"
)

// front is the address at which a browser is told what this is. It is relative to nothing:
// whatever else asks there gets what it gets anywhere that nothing is.
const front = "/"

const (
	mediaHTML  = "text/html; charset=utf-8"
	mediaPlain = "text/plain; charset=utf-8"
	mediaYAML  = "application/yaml"
)

//go:embed front.css
var frontStyle string

//go:embed front.html
var frontPage string

// frontTemplates are written as XML, so that a strict parser can read what comes out.
var frontTemplates = template.Must(template.New("front").Parse(frontPage))

// shown is what the pages say.
type shown struct {
	Title, Version string
	Style          template.CSS
	Smart          bool
	Docs           []string
	Tables         []shownTable
}

// shownTable are the addresses of a type, or of the service as a whole.
type shownTable struct {
	Name   string
	Routes []Route
}

// asksPage reports whether a browser asks: it wants HTML more than FHIR.
func asksPage(c echo.Context) bool {
	return best(accepted(c), fhir.ContentType, "text/html") == "text/html"
}

// openTo reports whether everybody who may connect may ask for it.
func (s *server) openTo(c echo.Context) bool {
	return s.public[c.Path()] && (c.Path() != front || asksPage(c))
}

func (s *server) front(c echo.Context) error {
	c.Response().Header().Add(echo.HeaderVary, "Accept")
	if !asksPage(c) {
		return echo.ErrNotFound
	}
	return s.page(c, "front", shown{Title: "fhirsvc", Docs: docNames()})
}

// interfacePage is the table of addresses, as api/openapi.yaml has it, to be read by people.
func (s *server) interfacePage(c echo.Context) error {
	var tables []shownTable
	for _, r := range Routes() {
		if r.OnlySmart && s.o.Smart == nil {
			continue
		}
		name := r.Type
		if name == "" {
			name = "The service as a whole"
		}
		i := slices.IndexFunc(tables, func(t shownTable) bool { return t.Name == name })
		if i < 0 {
			tables, i = append(tables, shownTable{Name: name}), len(tables)
		}
		tables[i].Routes = append(tables[i].Routes, r)
	}
	return s.page(c, "interface", shown{Title: "The interface of fhirsvc", Tables: tables})
}

// page writes a page that loads nothing, runs nothing and stands in no frame.
func (s *server) page(c echo.Context, name string, x shown) error {
	x.Version, x.Style, x.Smart = s.o.Version, template.CSS(frontStyle), s.o.Smart != nil //nolint:gosec // a constant of ours
	var b bytes.Buffer
	if err := frontTemplates.ExecuteTemplate(&b, name, x); err != nil {
		return err
	}
	sum := sha256.Sum256([]byte(frontStyle))
	guarded(c, "style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'; ")
	return c.Blob(http.StatusOK, mediaHTML, b.Bytes())
}

// guarded sets the headers of what a browser shows.
func guarded(c echo.Context, more string) {
	h := c.Response().Header()
	h.Set("Content-Security-Policy", "default-src 'none'; "+more+"base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
}

func openAPI(c echo.Context) error {
	guarded(c, "")
	return c.Blob(http.StatusOK, mediaYAML, api.OpenAPI())
}

// document gives a page of this version's documentation, Markdown as plain text.
func document(c echo.Context) error {
	name := c.Param("name")
	if !slices.Contains(docNames(), name) {
		return echo.ErrNotFound
	}
	body, err := docs.Pages.ReadFile(name)
	if err != nil {
		return err
	}
	guarded(c, "")
	return c.Blob(http.StatusOK, mediaPlain, body)
}

// docNames are the pages of the documentation, in order.
func docNames() []string {
	names, err := fs.Glob(docs.Pages, "*.md")
	if err != nil {
		panic(err) // a wrong pattern of ours
	}
	return names
}

// Address is the path as it is written for readers: /fhir/Task/{id}.
func (r Route) Address() string {
	parts := strings.Split(r.Path, "/")
	for i, p := range parts {
		if name, ok := strings.CutPrefix(p, ":"); ok {
			parts[i] = "{" + name + "}"
		}
	}
	return strings.Join(parts, "/")
}
