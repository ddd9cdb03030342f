package main

import (
	"errors"
	"net"
	"strconv"
)

func telemetrySettings() []setting {
	return []setting{
		{name: "FHIRSVC_METRICS_ADDR", set: func(c *Config, s string) error {
			c.MetricsAddr = s
			return wantAddress(s)
		}},
		{name: "FHIRSVC_TRACES_URL", set: func(c *Config, s string) error {
			c.TracesURL = Secret(s)
			return wantURL(s, "http", "https")
		}},
		{name: "FHIRSVC_TRACES_RATIO", standard: "1", set: func(c *Config, s string) (err error) {
			c.TracesRatio, err = strconv.ParseFloat(s, 64)
			if err != nil || !(c.TracesRatio >= 0 && c.TracesRatio <= 1) {
				return errors.New("want a number from 0 to 1, such as 0.1")
			}
			return nil
		}},
	}
}

func wantAddress(s string) error {
	_, port, err := net.SplitHostPort(s)
	if n, bad := strconv.Atoi(port); err != nil || bad != nil || n < 0 || n > 65535 {
		return errors.New("want host:port, such as 127.0.0.1:8080 or :8080")
	}
	return nil
}
