package rest

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// bundle is an R4 Bundle in the making. Resources go into it byte for byte.
type bundle struct {
	Type     string
	Total    int // told for searchset and history alone (bdl-1), and not below 0
	Self     string
	Previous string
	Next     string
	entries  [][]byte
}

type entry struct {
	FullURL  string
	Resource []byte
	Mode     string // search.mode, "" outside of a searchset
	Request  *entryRequest
	Response *entryResponse
}

type entryRequest struct {
	Method string `json:"method"`
	URL    string `json:"url"`
}

type entryResponse struct {
	Status       string          `json:"status"`
	Location     string          `json:"location,omitempty"`
	ETag         string          `json:"etag,omitempty"`
	LastModified string          `json:"lastModified,omitempty"`
	Outcome      json.RawMessage `json:"outcome,omitempty"`
}

func (b *bundle) add(e entry) {
	var o object
	if e.FullURL != "" {
		o.set("fullUrl", encode(e.FullURL))
	}
	if e.Resource != nil {
		o.set("resource", e.Resource)
	}
	if e.Mode != "" {
		o.set("search", encode(map[string]string{"mode": e.Mode}))
	}
	if e.Request != nil {
		o.set("request", encode(e.Request))
	}
	if e.Response != nil {
		o.set("response", encode(e.Response))
	}
	b.entries = append(b.entries, o.json())
}

// json gives the Bundle. R4 JSON has no empty arrays, so without entries there is no
// member "entry".
func (b *bundle) json() []byte {
	var o object
	o.set("resourceType", encode("Bundle"))
	o.set("type", encode(b.Type))
	if (b.Type == "searchset" || b.Type == "history") && b.Total >= 0 {
		o.set("total", encode(b.Total))
	}
	var links [][]byte
	for _, l := range []struct{ relation, url string }{{"self", b.Self}, {"previous", b.Previous}, {"next", b.Next}} {
		if l.url != "" {
			var link object
			link.set("relation", encode(l.relation))
			link.set("url", encode(l.url))
			links = append(links, link.json())
		}
	}
	o.setList("link", links)
	o.setList("entry", b.entries)
	return o.json()
}

// object is a JSON object written member by member, so that what is stored goes out as
// it is: encoding/json would rewrite the bytes of a json.RawMessage.
type object struct{ buf bytes.Buffer }

func (o *object) set(name string, value []byte) {
	if o.buf.Len() > 0 {
		o.buf.WriteByte(',')
	}
	o.buf.Write(encode(name))
	o.buf.WriteByte(':')
	o.buf.Write(value)
}

func (o *object) setList(name string, items [][]byte) {
	if len(items) > 0 {
		o.set(name, append(append([]byte{'['}, bytes.Join(items, []byte{','})...), ']'))
	}
}

func (o *object) json() []byte {
	return append(append([]byte{'{'}, o.buf.Bytes()...), '}')
}

// encode marshals plain values of this package, without the escapes for HTML.
func encode(v any) []byte {
	var buf bytes.Buffer
	e := json.NewEncoder(&buf)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		panic(fmt.Errorf("rest: plain values always marshal: %w", err))
	}
	return bytes.TrimRight(buf.Bytes(), "\n")
}
