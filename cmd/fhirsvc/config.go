package main

import (
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"fhirsvc/internal/delivery/hook"
)

// Secret is a text that never gets into a log or an error.
type Secret string

func (Secret) String() string               { return "***" }
func (Secret) GoString() string             { return "***" }
func (Secret) MarshalText() ([]byte, error) { return []byte("***"), nil }
func (Secret) LogValue() slog.Value         { return slog.StringValue("***") }
func (Secret) Format(f fmt.State, _ rune)   { _, _ = f.Write([]byte("***")) }
func (s Secret) reveal() string             { return string(s) }

// Config is all that can be configured, from FHIRSVC_* variables alone.
type Config struct {
	DatabaseURL     Secret
	NATSURL         Secret // may hold a password
	NATSCredentials string // file
	HTTPAddr        string
	Protocols       string // folder
	CanonicalBase   string
	BaseURL         string // "" takes it from the request
	Authentication  string // none or smart
	Issuer          string
	Audience        string
	JWKSURL         string
	JWKSFile        string
	TokenURL        string
	UnitsClaim      string
	PerSecond       int // requests of a client
	MaxConnections  int
	Origins         []string // of browsers' pages that may call
	TLSCert         string   // file
	TLSKey          string   // file
	TLSClientCA     string   // file
	ChangesResource bool
	Endpoints       hook.Endpoints // of Subscriptions
	GiveUp          time.Duration  // an endpoint that fails
	MetricsAddr     string         // "" serves none
	TracesURL       Secret         // may hold a token; "" sends none
	TracesRatio     float64
	Destinations    string // file that lists external FHIR servers
	LogLevel        slog.Level
	ShutdownTimeout time.Duration
}

// setting is one variable: which command needs it, its default, and how it is read.
// The text given to set is never empty.
type setting struct {
	name     string
	serve    bool // needed by serve
	migrate  bool // needed by migrate
	standard string
	set      func(c *Config, text string) error
}

func settings() []setting {
	return slices.Concat(plainSettings(), accessSettings(), telemetrySettings())
}

func plainSettings() []setting {
	return []setting{
		{name: "FHIRSVC_DATABASE_URL", serve: true, migrate: true, set: func(c *Config, s string) error {
			if err := wantURL(s, "postgres", "postgresql"); err != nil {
				return err
			}
			c.DatabaseURL = Secret(s)
			return nil
		}},
		{name: "FHIRSVC_NATS_URL", serve: true, set: func(c *Config, s string) error {
			for one := range strings.SplitSeq(s, ",") {
				if err := wantURL(strings.TrimSpace(one), "nats", "tls", "ws", "wss"); err != nil {
					return err
				}
			}
			c.NATSURL = Secret(s)
			return nil
		}},
		{name: "FHIRSVC_NATS_CREDENTIALS", set: func(c *Config, s string) error { c.NATSCredentials = s; return nil }},
		{name: "FHIRSVC_HTTP_ADDR", standard: "127.0.0.1:8080", set: func(c *Config, s string) error {
			c.HTTPAddr = s
			return wantAddress(s)
		}},
		{name: "FHIRSVC_PROTOCOLS", serve: true, set: func(c *Config, s string) error { c.Protocols = s; return nil }},
		{name: "FHIRSVC_CANONICAL_BASE", serve: true, migrate: true, set: func(c *Config, s string) error {
			if err := wantURL(s, "http", "https"); err != nil {
				return err
			}
			c.CanonicalBase = strings.TrimSuffix(s, "/")
			return nil
		}},
		{name: "FHIRSVC_BASE_URL", set: func(c *Config, s string) error {
			c.BaseURL = strings.TrimSuffix(s, "/")
			return wantURL(s, "http", "https")
		}},
		{name: "FHIRSVC_AUTHENTICATION", serve: true, set: func(c *Config, s string) error {
			c.Authentication = s
			if s != authenticationNone && s != authenticationSmart {
				return errors.New("want smart or none")
			}
			return nil
		}},
		{name: "FHIRSVC_CHANGES_RESOURCE", standard: "false", set: func(c *Config, s string) (err error) {
			if c.ChangesResource, err = strconv.ParseBool(s); err != nil {
				return errors.New("want true or false")
			}
			return nil
		}},
		{name: "FHIRSVC_SUBSCRIPTION_ENDPOINTS", set: func(c *Config, s string) (err error) {
			c.Endpoints, err = hook.ParseEndpoints(s)
			return err
		}},
		{name: "FHIRSVC_SUBSCRIPTION_GIVE_UP", standard: "72h", set: func(c *Config, s string) (err error) {
			c.GiveUp, err = time.ParseDuration(s)
			if err != nil || c.GiveUp <= 0 {
				return errors.New("want a duration above zero, such as 72h")
			}
			return nil
		}},
		{name: "FHIRSVC_DESTINATIONS", set: func(c *Config, s string) error { c.Destinations = s; return nil }},
		{name: "FHIRSVC_LOG_LEVEL", standard: "info", set: func(c *Config, s string) error {
			if err := c.LogLevel.UnmarshalText([]byte(s)); err != nil {
				return errors.New("want debug, info, warn or error")
			}
			return nil
		}},
		{name: "FHIRSVC_SHUTDOWN_TIMEOUT", standard: "20s", set: func(c *Config, s string) (err error) {
			c.ShutdownTimeout, err = time.ParseDuration(s)
			if err != nil || c.ShutdownTimeout <= 0 {
				return errors.New("want a duration above zero, such as 20s")
			}
			return nil
		}},
	}
}

// ReadConfig reads the configuration for serve or migrate and names every problem at
// once. An error never holds a value, since a value may be a secret; what was read well
// is there in spite of it.
func ReadConfig(getenv func(string) string, needed func(setting) bool) (Config, error) {
	var c Config
	var faults []error
	for _, s := range settings() {
		text := strings.TrimSpace(getenv(s.name))
		if text == "" && needed(s) {
			faults = append(faults, missing(s.name))
			continue
		}
		if text == "" {
			text = s.standard
		}
		if text == "" {
			continue
		}
		if err := s.set(&c, text); err != nil {
			faults = append(faults, fmt.Errorf("%s: %w", s.name, err))
		}
	}
	if needed(setting{serve: true}) {
		faults = append(faults, c.halves()...)
	}
	if faults != nil {
		return c, usageError{errors.Join(faults...)}
	}
	return c, nil
}

func neededByServe(s setting) bool   { return s.serve }
func neededByMigrate(s setting) bool { return s.migrate }

func missing(name string) error {
	if name == "FHIRSVC_AUTHENTICATION" {
		return errors.New(name + ": must be set, to smart or none. With none, whoever reaches the service reads and writes every record; put it behind a gateway that knows its callers")
	}
	return errors.New(name + ": must be set")
}

// wantURL checks scheme and host without repeating the text.
func wantURL(text string, schemes ...string) error {
	u, err := url.Parse(text)
	if err == nil && u.Host != "" {
		for _, s := range schemes {
			if u.Scheme == s {
				return nil
			}
		}
	}
	return fmt.Errorf("want a URL that begins with %s://", strings.Join(schemes, ":// or "))
}
