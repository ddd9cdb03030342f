package bedside

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/fhir"
)

// subject is where procedure events go.
const subject = "ehr.procedure.completed"

// Client is connected to both doors of a running service.
type Client struct {
	base string // without /fhir
	http *http.Client
	nats *nats.Conn
	js   jetstream.JetStream
}

// Dial connects to a service. The addresses are those that the sandbox prints.
func Dial(httpURL, natsURL string) (*Client, error) {
	nc, err := nats.Connect(natsURL, nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond))
	if err != nil {
		return nil, fmt.Errorf("connect to the broker: %w", err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		nc.Close()
		return nil, err
	}
	return &Client{
		base: strings.TrimSuffix(httpURL, "/"),
		http: &http.Client{Timeout: 60 * time.Second},
		nats: nc, js: js,
	}, nil
}

// Close ends the connections.
func (c *Client) Close() {
	c.nats.Close()
	c.http.CloseIdleConnections()
}

// JetStream is the connection to the broker, to read its streams.
func (c *Client) JetStream() jetstream.JetStream { return c.js }

// Send publishes an event and returns when the broker has acknowledged it.
func (c *Client) Send(ctx context.Context, event []byte) error {
	m := &nats.Msg{Subject: subject, Data: event, Header: nats.Header{"Content-Type": []string{fhir.ContentType}}}
	_, err := c.js.PublishMsg(ctx, m)
	return err
}

// Answer is an HTTP response.
type Answer struct {
	Status int
	Header http.Header
	Body   []byte
}

// Do makes a request; path is from the root, such as /fhir/Task. header may be nil. Only
// a response that did not come is an error.
func (c *Client) Do(ctx context.Context, method, path string, body []byte, header http.Header) (Answer, error) {
	r, err := http.NewRequestWithContext(ctx, method, c.base+path, bytes.NewReader(body))
	if err != nil {
		return Answer{}, err
	}
	if len(body) > 0 {
		r.Header.Set("Content-Type", fhir.ContentType)
	}
	for k, v := range header {
		r.Header[k] = v
	}
	resp, err := c.http.Do(r)
	if err != nil {
		return Answer{}, err
	}
	defer resp.Body.Close()
	got, err := io.ReadAll(resp.Body)
	if err != nil {
		return Answer{}, fmt.Errorf("%s %s: %w", method, path, err)
	}
	return Answer{Status: resp.StatusCode, Header: resp.Header, Body: got}, nil
}

// want fails unless the status is one of those.
func (a Answer) want(what string, statuses ...int) error {
	for _, s := range statuses {
		if a.Status == s {
			return nil
		}
	}
	return fmt.Errorf("%s: HTTP %d: %s", what, a.Status, a.Body)
}

// Search gives all matches of a query such as Task?patient=Patient/1, all its pages.
func (c *Client) Search(ctx context.Context, query string) ([]json.RawMessage, error) {
	var found []json.RawMessage
	for path := "/fhir/" + query; path != ""; {
		a, err := c.Do(ctx, http.MethodGet, path, nil, nil)
		if err == nil {
			err = a.want("search "+query, http.StatusOK)
		}
		if err != nil {
			return nil, err
		}
		var page struct {
			Link  []struct{ Relation, URL string }
			Entry []struct {
				Resource json.RawMessage
				Search   struct{ Mode string }
			}
		}
		if err := json.Unmarshal(a.Body, &page); err != nil {
			return nil, fmt.Errorf("search %s: %w", query, err)
		}
		path = ""
		for _, e := range page.Entry {
			if e.Search.Mode != "outcome" {
				found = append(found, e.Resource)
			}
		}
		for _, l := range page.Link {
			if l.Relation == "next" {
				next, err := url.Parse(l.URL)
				if err != nil {
					return nil, fmt.Errorf("search %s: next: %w", query, err)
				}
				path = next.RequestURI()
			}
		}
	}
	return found, nil
}

// Create posts a resource; 200 is the answer to a repeat.
func (c *Client) Create(ctx context.Context, kind string, body []byte) (Answer, error) {
	a, err := c.Do(ctx, http.MethodPost, "/fhir/"+kind, body, nil)
	if err != nil {
		return a, err
	}
	return a, a.want("create "+kind, http.StatusCreated, http.StatusOK)
}

// Patch applies a JSON Patch (RFC 6902) to a resource.
func (c *Client) Patch(ctx context.Context, ref string, patch []byte) (Answer, error) {
	a, err := c.Do(ctx, http.MethodPatch, "/fhir/"+ref, patch, http.Header{"Content-Type": []string{"application/json-patch+json"}})
	if err != nil {
		return a, err
	}
	return a, a.want("patch "+ref, http.StatusOK)
}

// Now is the sandbox's time.
func (c *Client) Now(ctx context.Context) (time.Time, error) {
	return c.clock(ctx, http.MethodGet, nil)
}

// Turn turns a manual clock and returns when all that is due until then is done.
func (c *Client) Turn(ctx context.Context, to time.Time) error {
	body, err := json.Marshal(map[string]time.Time{"now": to})
	if err != nil {
		return err
	}
	_, err = c.clock(ctx, http.MethodPost, body)
	return err
}

func (c *Client) clock(ctx context.Context, method string, body []byte) (time.Time, error) {
	a, err := c.Do(ctx, method, "/sandbox/clock", body, http.Header{"Content-Type": []string{"application/json"}})
	if err == nil {
		err = a.want("clock", http.StatusOK)
	}
	var got struct{ Now time.Time }
	if err == nil {
		err = json.Unmarshal(a.Body, &got)
	}
	return got.Now, err
}
