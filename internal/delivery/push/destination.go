package push

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"regexp"
	"strings"
	"time"

	"fhirsvc/internal/store"
)

// Destination is an external FHIR server, as the site describes it.
type Destination struct {
	Name    string        // by which the site knows it
	Base    string        // such as https://ehr.example/fhir
	Timeout time.Duration // of one request
	CA      string        // file of authorities (PEM); "" takes those of the system
	OAuth   *OAuth        // nil sends no token
}

// OAuth says how tokens are had: SMART Backend Services, client authentication by a signed
// JWT (hl7.org/fhir/smart-app-launch/backend-services.html).
type OAuth struct {
	TokenURL string
	ClientID string
	Scope    string
	KeyFile  string // the private key, a JSON Web Key with kid
}

// standardTimeout is that of a request.
const standardTimeout = 30 * time.Second

// longestTimeout bounds what may be set.
const longestTimeout = 5 * time.Minute

// name is what a destination may be called: it stands in commands and in the store.
var name = regexp.MustCompile(`^[a-z][a-z0-9-]{0,30}$`)

// ParseDestinations reads the site's list and names everything that is wrong with it. An
// error never holds a value but a destination's name.
func ParseDestinations(text []byte) ([]Destination, error) {
	type oauth struct {
		TokenURL string `json:"tokenURL"`
		ClientID string `json:"clientID"`
		Scope    string `json:"scope"`
		KeyFile  string `json:"keyFile"`
	}
	var list struct {
		Destinations []struct {
			Name    string `json:"name"`
			Base    string `json:"base"`
			Timeout string `json:"timeout"`
			CA      string `json:"caFile"`
			OAuth   *oauth `json:"oauth"`
		} `json:"destinations"`
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&list); err != nil || d.Decode(&struct{}{}) != io.EOF {
		return nil, errors.New(`want JSON such as {"destinations": [{"name": "ehr", "base": "https://…"}]}, with nothing else in it`)
	}
	var all []Destination
	var faults []error
	seen := map[string]bool{}
	for i, x := range list.Destinations {
		wrong := func(text string) {
			faults = append(faults, fmt.Errorf("destination %d (%s): %s", i+1, printable(x.Name), text))
		}
		if !name.MatchString(x.Name) || x.Name == store.JetStream || seen[x.Name] {
			wrong("name: want small letters, digits and hyphens, each name once, and not " + store.JetStream)
		}
		seen[x.Name] = true
		to := Destination{Name: x.Name, Base: strings.TrimSuffix(x.Base, "/"), Timeout: standardTimeout, CA: x.CA}
		if !secure(x.Base) {
			wrong("base: want a URL that begins with https://, without query or user")
		}
		if x.Timeout != "" {
			var err error
			if to.Timeout, err = time.ParseDuration(x.Timeout); err != nil || to.Timeout <= 0 || to.Timeout > longestTimeout {
				wrong("timeout: want a duration up to " + longestTimeout.String() + ", such as 30s")
			}
		}
		if o := x.OAuth; o != nil {
			to.OAuth = &OAuth{TokenURL: o.TokenURL, ClientID: o.ClientID, Scope: o.Scope, KeyFile: o.KeyFile}
			if !secure(o.TokenURL) {
				wrong("oauth.tokenURL: want a URL that begins with https://, without query or user")
			}
			if o.ClientID == "" || o.Scope == "" || o.KeyFile == "" {
				wrong("oauth: clientID, scope and keyFile must be set")
			}
		}
		all = append(all, to)
	}
	if len(all) == 0 && faults == nil {
		faults = append(faults, errors.New("no destination is named"))
	}
	return all, errors.Join(faults...)
}

// printable is a name for an error: one that is none may be anything.
func printable(text string) string {
	if name.MatchString(text) {
		return text
	}
	return "?"
}

// secure takes https, and http to this machine alone.
func secure(text string) bool {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Scheme == "https" || u.Scheme == "http" && (u.Hostname() == "localhost" || ip != nil && ip.IsLoopback())
}
