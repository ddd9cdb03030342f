package site

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os/exec"
	"sync"
	"time"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/store/postgres"
)

// client makes requests, each of which ends in time.
type client struct{ http *http.Client }

func newClient(timeout time.Duration) *client {
	return &client{http: &http.Client{Timeout: timeout, Transport: &http.Transport{DisableKeepAlives: true}}}
}

// do gives status and body; only an answer that did not come is an error.
func (c *client) do(ctx context.Context, method, at string, body []byte, header http.Header) (int, []byte, error) {
	r, err := http.NewRequestWithContext(ctx, method, at, bytes.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	if len(body) > 0 {
		r.Header.Set("Content-Type", fhir.ContentType)
	}
	for k, v := range header {
		r.Header[k] = v
	}
	resp, err := c.http.Do(r)
	if err != nil {
		return 0, nil, err
	}
	defer resp.Body.Close()
	got, err := io.ReadAll(resp.Body)
	return resp.StatusCode, got, err
}

// get reads JSON.
func (c *client) get(ctx context.Context, at string, to any) error {
	status, body, err := c.do(ctx, http.MethodGet, at, nil, nil)
	if err != nil {
		return err
	}
	if status != http.StatusOK {
		return fmt.Errorf("%s: HTTP %d: %.300s", at, status, body)
	}
	return json.Unmarshal(body, to)
}

// bundle is what a search and a history answer.
type bundle struct {
	Link  []struct{ Relation, URL string }
	Entry []struct {
		Resource json.RawMessage
		Search   struct{ Mode string }
	}
}

// all gives the resources of all pages of a search or history, such as /fhir/Task.
func (c *client) all(ctx context.Context, base, path string) ([]json.RawMessage, error) {
	var found []json.RawMessage
	for at := base + path; at != ""; {
		var page bundle
		if err := c.get(ctx, at, &page); err != nil {
			return nil, err
		}
		at = ""
		for _, e := range page.Entry {
			if e.Search.Mode != "outcome" {
				found = append(found, e.Resource)
			}
		}
		for _, l := range page.Link {
			if l.Relation != "next" {
				continue
			}
			next, err := url.Parse(l.URL)
			if err != nil {
				return nil, err
			}
			at = base + next.RequestURI()
		}
	}
	return found, nil
}

// The validators are those of the service, made once.
var (
	incoming = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Incoming()) })
	outgoing = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Outgoing()) })
)

// openService is the episode service of this build on a database, without protocols of its
// own: it reads those that are stored.
func openService(ctx context.Context, at string) (*episode.Service, func(), error) {
	st, err := postgres.Open(ctx, at)
	if err != nil {
		return nil, nil, err
	}
	s, err := episode.New(ctx, episode.Options{
		Store: st, Incoming: incoming(), Outgoing: outgoing(), Log: slog.New(slog.DiscardHandler),
		Endpoint: "https://fhirsvc.example/fhir", Software: "checker", Clock: time.Now,
	})
	if err != nil {
		st.Close()
		return nil, nil, err
	}
	return s, st.Close, nil
}

func migrateCommand(s *site) *exec.Cmd {
	cmd := exec.Command(s.binary, "migrate")
	cmd.Env = []string{"FHIRSVC_DATABASE_URL=" + s.database.url(template), "FHIRSVC_CANONICAL_BASE=https://hospital.example/fhir"}
	return cmd
}
