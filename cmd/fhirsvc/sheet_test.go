package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"fhirsvc/api"
	"fhirsvc/internal/workflow"
)

// sheetOf makes the page of a starter protocol and gives its text.
func sheetOf(t *testing.T, name string) (page, text string) {
	t.Helper()
	for file, body := range api.Protocols() {
		if !strings.Contains(file, name) {
			continue
		}
		path := filepath.Join(t.TempDir(), "protocol.json")
		require.NoError(t, os.WriteFile(path, body, 0o600))
		var stdout, stderr bytes.Buffer
		code := run(context.Background(), []string{"sheet", path}, surroundings{getenv: func(string) string { return "" }, stdout: &stdout, stderr: &stderr})
		require.Zero(t, code, stderr.String())
		return stdout.String(), regexp.MustCompile(`<style>(?s:.*)</style>|<[^>]*>`).ReplaceAllString(stdout.String(), " ")
	}
	t.Fatalf("there is no protocol %s", name)
	return "", ""
}

// The page says what the diagnostic starter says: 60 min to the first release, 3 mL every
// 15 min (api/protocols), so that 15 mL would be out with the step at 2 h 00 min.
func TestSheetSaysWhatTheProtocolSays(t *testing.T) {
	page, text := sheetOf(t, "diagnostic")
	for _, want := range []string{
		"DRAFT: nobody has approved it", "First release not before 1 h 00 min", "Each step is 3 mL , every 15 min",
		"it never decides treatment", "Time found",
	} {
		require.Contains(t, strings.Join(strings.Fields(text), " "), strings.Join(strings.Fields(strings.ReplaceAll(want, " ,", ",")), " "))
	}
	for _, at := range []string{"1 h 00 min", "1 h 15 min", "1 h 30 min", "1 h 45 min", "2 h 00 min"} {
		require.Contains(t, page, "<tr><td>"+at+"<td>if dry: let 3 mL out")
	}
	require.NotContains(t, page, "%!")
	_, err := html.Parse(strings.NewReader(page)) // by the parser of golang.org/x/net
	require.NoError(t, err)
	require.NotContains(t, page, "http-equiv")
	require.NotContains(t, page, "<script")
}

func TestSheetWantsAProtocol(t *testing.T) {
	var stderr bytes.Buffer
	out := surroundings{stdout: &bytes.Buffer{}, stderr: &stderr}
	require.Equal(t, exitUsage, run(context.Background(), []string{"sheet"}, out))
	require.Equal(t, exitUsage, run(context.Background(), []string{"sheet", "/nowhere"}, out))
	path := filepath.Join(t.TempDir(), "other.json")
	require.NoError(t, os.WriteFile(path, []byte(`{"resourceType":"Patient"}`), 0o600))
	require.Equal(t, exitFailed, run(context.Background(), []string{"sheet", path}, out))
}

// Looks that fall due while the patient is being received are a part of the arrival.
func TestSheetLooksBeginAfterTheArrival(t *testing.T) {
	p := &workflow.Protocol{
		ArrivalDue: 10 * time.Minute, SiteCheckFirst: 5 * time.Minute, SiteCheckCount: 4, SiteCheckThen: 15 * time.Minute, FirstRelease: 30 * time.Minute,
	}
	const look = "look at site and hand"
	require.Equal(t, []line{
		{10 * time.Minute, "arrival: site, hand, volume"}, {15 * time.Minute, look}, {20 * time.Minute, look},
	}, lines(p))
}
