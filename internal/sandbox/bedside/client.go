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

// Client is connected to a running service.
type Client struct {
	// Watch, if it is set, is told of each request that was answered, or not: what was asked,
	// how long it took, the status (0: no answer).
	Watch func(method, path string, took time.Duration, status int)

	base string // without /fhir
	http *http.Client
	nats *nats.Conn // nil: events go over HTTP, too
	js   jetstream.JetStream
}

// DialHTTP connects to a service by HTTP alone.
func DialHTTP(httpURL string) *Client {
	const perHost = 256 // connections kept: many nurses share a client
	transport := &http.Transport{MaxIdleConns: perHost, MaxIdleConnsPerHost: perHost, IdleConnTimeout: time.Minute}
	return &Client{base: strings.TrimSuffix(httpURL, "/"), http: &http.Client{Timeout: 60 * time.Second, Transport: transport}}
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
	c := DialHTTP(httpURL)
	c.nats, c.js = nc, js
	return c, nil
}

// Close ends the connections.
func (c *Client) Close() {
	if c.nats != nil {
		c.nats.Close()
	}
	c.http.CloseIdleConnections()
}

// JetStream is the connection to the broker, to read its streams.
func (c *Client) JetStream() jetstream.JetStream { return c.js }

// Send tells of an event and returns when the broker, or where there is none the service,
// has acknowledged it.
func (c *Client) Send(ctx context.Context, event []byte) error {
	if c.nats == nil {
		a, err := c.Do(ctx, http.MethodPost, "/fhir/$process-message", event, nil)
		if err != nil {
			return err
		}
		return a.want("process message", http.StatusOK)
	}
	began := time.Now()
	m := &nats.Msg{Subject: subject, Data: event, Header: nats.Header{"Content-Type": []string{fhir.ContentType}}}
	_, err := c.js.PublishMsg(ctx, m)
	status := http.StatusOK // as it were
	if err != nil {
		status = 0
	}
	c.watched("PUBLISH", subject, began, status)
	return err
}

func (c *Client) watched(method, path string, began time.Time, status int) {
	if c.Watch != nil {
		c.Watch(method, path, time.Since(began), status)
	}
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
	began := time.Now()
	got, err := c.answer(r)
	c.watched(method, path, began, got.Status)
	if err != nil {
		return Answer{}, fmt.Errorf("%s %s: %w", method, path, err)
	}
	return got, nil
}

func (c *Client) answer(r *http.Request) (Answer, error) {
	resp, err := c.http.Do(r)
	if err != nil {
		return Answer{}, err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		return Answer{}, err
	}
	return Answer{Status: resp.StatusCode, Header: resp.Header, Body: body}, nil
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
