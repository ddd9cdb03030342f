package hook

import (
	"errors"
	"net"
	"net/netip"
	"net/url"
	"strings"
)

// Endpoints are the URLs that may be called. The zero value is none.
type Endpoints struct {
	entries  []entry
	loopback bool
}

// Loopback is whatever listens on this machine, without TLS too: for the sandbox alone.
func Loopback() Endpoints { return Endpoints{loopback: true} }

// entry allows URLs that begin with it.
type entry struct {
	host string // lower case; below "*.", any name that ends with it
	wild bool
	port string
	path string // without the slash at its end
}

// ParseEndpoints reads a list of URL prefixes with commas between, such as
// "https://screens.hospital.example/hooks/, https://*.partner.example". A host may be a
// name, an address, or "*." and what names end with. "" is the empty list. An error holds
// no part of the list.
func ParseEndpoints(list string) (Endpoints, error) {
	var e Endpoints
	for text := range strings.SplitSeq(list, ",") {
		text = strings.TrimSpace(text)
		if text == "" {
			continue
		}
		u, err := url.Parse(text)
		if err != nil || u.Scheme != "https" || u.Hostname() == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" || !plainPath(u) {
			return Endpoints{}, errors.New("want URLs that begin with https://, with commas between, without user, query and fragment")
		}
		x := entry{host: strings.ToLower(u.Hostname()), port: portOf(u), path: strings.TrimSuffix(u.Path, "/")}
		x.host, x.wild = strings.CutPrefix(x.host, "*.")
		if strings.Contains(x.host, "*") || x.wild && (!strings.Contains(x.host, ".") || isAddress(x.host)) {
			return Endpoints{}, errors.New("a star stands for the first part of a name of at least three, as in https://*.partner.example")
		}
		e.entries = append(e.entries, x)
	}
	return e, nil
}

// Allow gives nil for a URL that is on the list, else why not, without the URL.
func (e Endpoints) Allow(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Hostname() == "" || u.User != nil || !plainPath(u) {
		return errors.New("an endpoint is an absolute URL without a user and without dots as steps of its path")
	}
	if e.loopback && isLoopback(u.Hostname()) && (u.Scheme == "http" || u.Scheme == "https") {
		return nil
	}
	switch {
	case len(e.entries) == 0 && !e.loopback:
		return errors.New("this service calls no endpoints: its list of those that it may call (FHIRSVC_SUBSCRIPTION_ENDPOINTS) is empty")
	case u.Scheme != "https":
		return errors.New("an endpoint begins with https://")
	}
	for _, x := range e.entries {
		if x.isAt(u.Hostname(), portOf(u)) && (u.Path == x.path || strings.HasPrefix(u.Path, x.path+"/")) {
			return nil
		}
	}
	return errors.New("this endpoint is not on the list of those that this service may call (FHIRSVC_SUBSCRIPTION_ENDPOINTS)")
}

// Reaches reports whether a connection to a host and port may go to an address. What
// names this very machine or its own link is never reached by a name: there are the
// services that trust whoever reaches them, and those that hand out credentials.
func (e Endpoints) Reaches(host, port string, to netip.Addr) bool {
	to = to.Unmap()
	if e.loopback && isLoopback(host) {
		return to.IsLoopback()
	}
	for _, x := range e.entries {
		if x.isAt(host, port) && x.reaches(to) {
			return true
		}
	}
	return false
}

func (x entry) isAt(host, port string) bool {
	host = strings.ToLower(host)
	if x.wild {
		return port == x.port && strings.HasSuffix(host, "."+x.host)
	}
	return port == x.port && host == x.host
}

// reaches lets a named address be itself, a named host be public or in the site's own
// network, and what a star stands for be public.
func (x entry) reaches(to netip.Addr) bool {
	if named, err := netip.ParseAddr(x.host); err == nil {
		return to == named.Unmap()
	}
	if x.host == "localhost" {
		return to.IsLoopback()
	}
	if !to.IsGlobalUnicast() || within(to, special()) {
		return false
	}
	return !x.wild || !to.IsPrivate() && !within(to, shared())
}

// special are the blocks that no name may lead to beside those that are not global
// unicast (IANA IPv4 and IPv6 Special-Purpose Address Registries), and where clouds hand
// out credentials inside private blocks: fd00:ec2::254, 100.100.100.200 and 192.0.0.192
// (from memory).
func special() []string {
	return []string{
		"0.0.0.0/8", "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "240.0.0.0/4",
		"100.100.100.200/32", "fd00:ec2::/32",
		"64:ff9b::/96", "64:ff9b:1::/48", "100::/64", "2001::/23", "2001:db8::/32", "2002::/16",
	}
}

// shared is the address space behind carriers (RFC 6598).
func shared() []string { return []string{"100.64.0.0/10"} }

func within(to netip.Addr, blocks []string) bool {
	for _, b := range blocks {
		if netip.MustParsePrefix(b).Contains(to) {
			return true
		}
	}
	return false
}

func isAddress(host string) bool {
	_, err := netip.ParseAddr(host)
	return err == nil
}

func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return strings.EqualFold(host, "localhost") || ip != nil && ip.IsLoopback()
}

func portOf(u *url.URL) string {
	if u.Port() != "" {
		return u.Port()
	}
	return map[string]string{"http": "80", "https": "443"}[u.Scheme]
}

// plainPath refuses what another reader of the path could take for another path.
func plainPath(u *url.URL) bool {
	for step := range strings.SplitSeq(u.Path, "/") {
		if step == "." || step == ".." {
			return false
		}
	}
	escaped := strings.ToLower(u.EscapedPath())
	return !strings.Contains(escaped, "%2f") && !strings.Contains(escaped, "%5c")
}
