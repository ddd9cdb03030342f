package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"

	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/smart"
)

// access says who may do what. The zero value is open to whoever reaches the service.
type access struct {
	tokens         rest.Tokens
	smart          *rest.Smart
	perSecond      int // requests of a client; 0: no limit
	maxConnections int // 0: no limit
	tls            *tls.Config
	origins        []string // of pages that may call
	certified      bool     // clients need a certificate
	audited        bool
}

// openAccess makes of the configuration what it says, and warns of what is left open.
func openAccess(ctx context.Context, c Config, log *slog.Logger) (access, error) {
	a := access{maxConnections: c.MaxConnections, origins: c.Origins, audited: true, certified: c.TLSClientCA != ""}
	certificates, err := openCertificates(c, log)
	if err != nil {
		return a, usageError{err}
	}
	if certificates != nil {
		a.tls = certificates.server()
	}
	switch {
	case c.Authentication == authenticationNone:
		log.Warn("there is no authentication: whoever reaches this service reads and writes every record")
		return a, nil
	case c.JWKSURL == "" && c.JWKSFile == "":
		return a, nil // said already
	}
	keys := smart.NewKeys(smart.KeyOptions{URL: c.JWKSURL, File: c.JWKSFile})
	if err := keys.Load(ctx); err != nil {
		if c.JWKSFile != "" {
			return a, usageError{fmt.Errorf("FHIRSVC_JWKS_FILE: %w", err)}
		}
		log.Warn("the issuer's keys can't be had yet: every token is refused until they can", "kind", "transient", "error", err)
	}
	a.tokens = smart.NewVerifier(smart.VerifierOptions{Issuer: c.Issuer, Audience: c.Audience, UnitsClaim: c.UnitsClaim, Keys: keys})
	a.smart, a.perSecond = &rest.Smart{TokenEndpoint: c.TokenURL}, c.PerSecond
	if a.tls == nil {
		log.Warn("tokens come without TLS: whatever stands before this service must end TLS, and nothing else may reach it")
	}
	return a, nil
}
