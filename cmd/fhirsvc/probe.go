package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/pem"
	"errors"
	"fmt"
	"net/http"
	"os"
	"time"
)

const probeHelp = `Usage: fhirsvc probe [flags] URL…

Asks each URL until it answers 200, and says what it answered. It is for images without a
shell: the chart's test asks /readyz and /fhir/metadata by it.
`

// probeTime is how long one answer may take.
const probeTime = 5 * time.Second

func runProbe(ctx context.Context, args []string, out surroundings) error {
	f := newFlags("probe", out, probeHelp)
	within := f.Duration("within", 10*time.Second, "how long to go on asking")
	every := f.Duration("every", time.Second, "how long to wait between two questions")
	certificate := f.String("certificate", "", "file (PEM) with the certificate that the server must show, whatever its name; empty: one that this machine trusts")
	if err := parseFlags(f, args, out); err != nil {
		return err
	}
	if f.NArg() == 0 {
		return usageError{errors.New("probe: want at least one URL")}
	}
	for _, url := range f.Args() {
		if err := wantURL(url, "http", "https"); err != nil {
			return usageError{fmt.Errorf("probe: %s: %w", url, err)}
		}
	}
	client, err := probeClient(*certificate)
	if err != nil {
		return usageError{fmt.Errorf("probe: --certificate: %w", err)}
	}
	until := time.Now().Add(*within)
	for _, url := range f.Args() {
		status, err := askUntil(ctx, client, url, until, *every)
		if err != nil {
			return fmt.Errorf("probe: %s: %w", url, err)
		}
		say(out.stdout, "%s: %s\n", url, status)
	}
	return nil
}

// askUntil asks until the answer is 200. A question that was begun in time is heard to its end, so
// that the error tells what is wrong and not that time ran out.
func askUntil(ctx context.Context, client *http.Client, url string, until time.Time, every time.Duration) (string, error) {
	for {
		status, err := ask(ctx, client, url)
		if err == nil || ctx.Err() != nil || time.Now().Add(every).After(until) {
			return status, err
		}
		wait(ctx, every)
	}
}

func ask(ctx context.Context, client *http.Client, url string) (string, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return "", err
	}
	response, err := client.Do(request)
	if err != nil {
		return "", errors.Unwrap(err) // without the URL, which is said already
	}
	defer response.Body.Close()
	if response.StatusCode != http.StatusOK {
		return "", errors.New(response.Status)
	}
	return response.Status, nil
}

// probeClient follows nobody elsewhere. With a certificate it knows the server by it alone: inside
// a cluster a server is reached by a name that its certificate does not have.
func probeClient(file string) (*http.Client, error) {
	client := &http.Client{
		Timeout:       probeTime,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	if file == "" {
		return client, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "CERTIFICATE" {
		return nil, errors.New("the file does not begin with a certificate")
	}
	client.Transport = &http.Transport{TLSClientConfig: &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, //nolint:gosec // VerifyConnection asks for more: this very certificate
		VerifyConnection: func(s tls.ConnectionState) error {
			if !bytes.Equal(s.PeerCertificates[0].Raw, block.Bytes) {
				return errors.New("the server shows another certificate")
			}
			return nil
		},
	}}
	return client, nil
}
