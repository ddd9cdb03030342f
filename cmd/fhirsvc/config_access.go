package main

import (
	"errors"
	"net"
	"net/url"
	"strconv"
	"strings"
)

// The kinds of authentication.
const (
	authenticationNone  = "none"
	authenticationSmart = "smart"
)

// accessSettings are those that say who may do what, how often and how safely.
func accessSettings() []setting {
	file := func(name string, into func(c *Config) *string) setting {
		return setting{name: name, set: func(c *Config, s string) error { *into(c) = s; return nil }}
	}
	secure := func(name string, into func(c *Config) *string) setting {
		return setting{name: name, set: func(c *Config, s string) error { *into(c) = s; return wantSecureURL(s) }}
	}
	number := func(name, standard string, into func(c *Config) *int) setting {
		return setting{name: name, standard: standard, set: func(c *Config, s string) (err error) {
			if *into(c), err = strconv.Atoi(s); err != nil || *into(c) < 1 {
				return errors.New("want a whole number above zero")
			}
			return nil
		}}
	}
	return []setting{
		secure("FHIRSVC_ISSUER", func(c *Config) *string { return &c.Issuer }),
		{name: "FHIRSVC_AUDIENCE", set: func(c *Config, s string) error { c.Audience = s; return nil }},
		secure("FHIRSVC_JWKS_URL", func(c *Config) *string { return &c.JWKSURL }),
		file("FHIRSVC_JWKS_FILE", func(c *Config) *string { return &c.JWKSFile }),
		secure("FHIRSVC_TOKEN_URL", func(c *Config) *string { return &c.TokenURL }),
		{name: "FHIRSVC_UNITS_CLAIM", standard: "fhirsvc_units", set: func(c *Config, s string) error { c.UnitsClaim = s; return nil }},
		number("FHIRSVC_REQUESTS_PER_SECOND", "100", func(c *Config) *int { return &c.PerSecond }),
		number("FHIRSVC_MAX_CONNECTIONS", "1000", func(c *Config) *int { return &c.MaxConnections }),
		{name: "FHIRSVC_CORS_ORIGINS", set: func(c *Config, s string) (err error) { c.Origins, err = readOrigins(s); return err }},
		file("FHIRSVC_TLS_CERT", func(c *Config) *string { return &c.TLSCert }),
		file("FHIRSVC_TLS_KEY", func(c *Config) *string { return &c.TLSKey }),
		file("FHIRSVC_TLS_CLIENT_CA", func(c *Config) *string { return &c.TLSClientCA }),
	}
}

// halves names what is missing beside what is set: half a protection is none.
func (c Config) halves() []error {
	var faults []error
	want := func(wrong bool, fault string) {
		if wrong {
			faults = append(faults, errors.New(fault))
		}
	}
	smart := []struct{ name, value string }{
		{"FHIRSVC_ISSUER", c.Issuer}, {"FHIRSVC_AUDIENCE", c.Audience}, {"FHIRSVC_TOKEN_URL", c.TokenURL},
	}
	switch c.Authentication {
	case authenticationSmart:
		for _, s := range smart {
			want(s.value == "", s.name+": must be set with FHIRSVC_AUTHENTICATION=smart")
		}
		want((c.JWKSURL == "") == (c.JWKSFile == ""), "FHIRSVC_JWKS_URL, FHIRSVC_JWKS_FILE: one of them must be set with FHIRSVC_AUTHENTICATION=smart, and not both")
	case authenticationNone:
		for _, s := range append(smart, []struct{ name, value string }{{"FHIRSVC_JWKS_URL", c.JWKSURL}, {"FHIRSVC_JWKS_FILE", c.JWKSFile}}...) {
			want(s.value != "", s.name+": is set, and FHIRSVC_AUTHENTICATION=none would not look at it")
		}
	}
	want((c.TLSCert == "") != (c.TLSKey == ""), "FHIRSVC_TLS_CERT, FHIRSVC_TLS_KEY: both must be set, or neither")
	want(c.TLSClientCA != "" && c.TLSCert == "", "FHIRSVC_TLS_CLIENT_CA: needs FHIRSVC_TLS_CERT and FHIRSVC_TLS_KEY")
	return faults
}

// readOrigins reads a list of origins (RFC 6454 section 6.2), comma between. One for all, *, is
// refused: whatever page a nurse has open could ask then.
func readOrigins(text string) ([]string, error) {
	origins := strings.Split(text, ",")
	for _, o := range origins {
		u, err := url.Parse(o)
		if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.Scheme+"://"+u.Host != o || strings.Contains(o, "*") {
			return nil, errors.New("want origins such as https://screen.example, with a comma between")
		}
	}
	return origins, nil
}

// wantSecureURL takes https, and http to this machine alone: keys that came over an open
// wire are anybody's.
func wantSecureURL(text string) error {
	u, err := url.Parse(text)
	if err == nil && u.Host != "" {
		ip := net.ParseIP(u.Hostname())
		if u.Scheme == "https" || u.Scheme == "http" && (u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()) {
			return nil
		}
	}
	return errors.New("want a URL that begins with https://")
}
