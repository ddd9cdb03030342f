package main

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// lookAgain is how often the certificate's files are looked at, when somebody connects.
const lookAgain = 10 * time.Second

// certificates serve TLS from files that may be renewed while the service runs.
type certificates struct {
	cert, key, clientCA string
	log                 *slog.Logger

	mu     sync.Mutex
	looked time.Time
	stamp  string // of the files that config was made from
	config *tls.Config
}

// openCertificates reads the files; nil when none are named.
func openCertificates(c Config, log *slog.Logger) (*certificates, error) {
	if c.TLSCert == "" || c.TLSKey == "" {
		return nil, nil // none, or said already
	}
	t := &certificates{cert: c.TLSCert, key: c.TLSKey, clientCA: c.TLSClientCA, log: log}
	return t, t.load()
}

// server is the configuration of the server: whoever connects gets what the files say
// now.
func (t *certificates) server() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
		return t.current(), nil
	}}
}

// current gives the newest configuration that could be read.
func (t *certificates) current() *tls.Config {
	t.mu.Lock()
	defer t.mu.Unlock()
	if time.Since(t.looked) < lookAgain {
		return t.config
	}
	t.looked = time.Now()
	if t.stampNow() == t.stamp {
		return t.config
	}
	if err := t.load(); err != nil {
		t.log.Error("certificate not renewed; the old one is used", "kind", "exception", "error", err)
		return t.config
	}
	t.log.Info("certificate renewed")
	return t.config
}

// load reads the files. Nothing changes when one can't be used.
func (t *certificates) load() error {
	stamp := t.stampNow()
	pair, err := tls.LoadX509KeyPair(t.cert, t.key)
	if err != nil {
		return fmt.Errorf("FHIRSVC_TLS_CERT, FHIRSVC_TLS_KEY: %w", err)
	}
	config := &tls.Config{
		MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}, NextProtos: []string{"h2", "http/1.1"},
	}
	if t.clientCA != "" {
		pem, err := os.ReadFile(t.clientCA)
		if err != nil {
			return fmt.Errorf("FHIRSVC_TLS_CLIENT_CA: %w", err)
		}
		config.ClientCAs = x509.NewCertPool()
		if !config.ClientCAs.AppendCertsFromPEM(pem) {
			return errors.New("FHIRSVC_TLS_CLIENT_CA: there is no certificate in it")
		}
		// Probes have none: rest refuses everything else without one.
		config.ClientAuth = tls.VerifyClientCertIfGiven
	}
	t.stamp, t.config = stamp, config
	return nil
}

// stampNow tells whether a file was replaced.
func (t *certificates) stampNow() string {
	stamp := ""
	for _, name := range []string{t.cert, t.key, t.clientCA} {
		if info, err := os.Stat(name); err == nil {
			stamp += info.ModTime().String() + fmt.Sprint(info.Size(), " ")
		}
	}
	return stamp
}
