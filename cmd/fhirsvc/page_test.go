package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A page shows commands and what they answer in blocks ```console: a line that begins with
// "$ " is a command, which goes on after a backslash at the end of a line; the lines below it
// are all that it prints.
const (
	consoleFence = "```console"
	prompt       = "$ "
)

// shown is a command of a page with what it prints there, at lines of the page.
type shown struct {
	command  string
	printed  []string
	from, to int // of what is printed
}

// console reads the commands of a page.
func console(lines []string) []shown {
	var found []shown
	inside, goesOn := false, false
	for i, line := range lines {
		last := len(found) - 1
		switch {
		case strings.HasPrefix(line, "```"):
			inside, goesOn = line == consoleFence, false
		case !inside:
		case goesOn:
			found[last].command += "\n" + line
			found[last].from, found[last].to = i+1, i+1
			goesOn = strings.HasSuffix(line, `\`)
		case strings.HasPrefix(line, prompt):
			found = append(found, shown{command: strings.TrimPrefix(line, prompt), from: i + 1, to: i + 1})
			goesOn = strings.HasSuffix(line, `\`)
		case last >= 0:
			found[last].printed = append(found[last].printed, line)
			found[last].to = i + 1
		}
	}
	return found
}

// unchecked gives the lines of a page with a command that no test runs: those in blocks of
// another kind that begin like one.
func unchecked(lines []string) []string {
	begins := regexp.MustCompile(`^(\$ |curl |make|\./bin/|docs/example/|fhirsvc )`)
	var found []string
	inside, checked := false, false
	for i, line := range lines {
		switch {
		case strings.HasPrefix(line, "```"):
			inside, checked = !inside, line == consoleFence
		case inside && !checked && begins.MatchString(line):
			found = append(found, fmt.Sprintf("%d: %s", i+1, line))
		}
	}
	return found
}

// session is one bash that runs the commands of a page, one after the other, at the top of a
// copy of the repository's folders, and the sandbox that the page starts.
type session struct {
	testing.TB
	dir     string
	in      io.Writer
	out     *bufio.Reader
	sandbox *process
}

// The addresses at which the sandbox listens by itself, and so those of the pages.
const (
	pageHTTP = "http://127.0.0.1:8080"
	pageNATS = "nats://127.0.0.1:4222"
)

func newSession(t testing.TB) *session {
	t.Helper()
	s := &session{TB: t, dir: t.TempDir()}
	top, err := filepath.Abs("../..")
	require.NoError(t, err)
	for _, name := range []string{"docs", "Makefile", "go.mod", "go.sum", "api", "cmd", "internal", "testdata"} {
		require.NoError(t, os.Symlink(filepath.Join(top, name), filepath.Join(s.dir, name)))
	}
	bash := exec.Command("bash")
	bash.Dir = s.dir
	// As at a terminal: under another make, make says in which folder it works.
	bash.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "MAKE") || strings.HasPrefix(v, "MFLAGS") })
	in, err := bash.StdinPipe()
	require.NoError(t, err)
	out, err := bash.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, bash.Start())
	s.in, s.out = in, bufio.NewReader(out)
	t.Cleanup(func() {
		_ = in.Close() // bash ends with its input
		_ = bash.Wait()
	})
	return s
}

// run runs a command and gives the lines that it prints. One that starts the sandbox goes on.
func (s *session) run(command string) []string {
	s.Helper()
	if args, ok := strings.CutPrefix(command, "./bin/fhirsvc sandbox"); ok {
		args := append([]string{"sandbox"}, strings.Fields(args)...)
		s.sandbox = launch(s, nil, append(args, "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0")...).ready(s)
		s.run("export FHIRSVC=" + s.sandbox.http) // what the scripts take in the place of 8080
		return strings.Split(strings.TrimSpace(s.placed(s.sandbox.stdout.String())), "\n")
	}
	if s.sandbox != nil {
		command = strings.ReplaceAll(command, pageHTTP, s.sandbox.http)
	}
	const end = "that was all, with"
	_, err := fmt.Fprintf(s.in, "{ %s\n} 2>&1 </dev/null; code=$?; echo; echo '%s' $code\n", command, end)
	require.NoError(s, err)
	var lines []string
	for {
		line, err := s.out.ReadString('\n')
		require.NoError(s, err, command)
		if code, ok := strings.CutPrefix(line, end); ok {
			require.Equal(s, "0", strings.TrimSpace(code), "%s\n%s", command, strings.Join(lines, "\n"))
			break
		}
		lines = append(lines, strings.TrimSuffix(line, "\n"))
	}
	text := strings.TrimRight(strings.Join(lines, "\n"), "\n")
	if text == "" {
		return nil
	}
	return strings.Split(s.placed(text), "\n")
}

// placed puts the page's addresses in the place of the sandbox's.
func (s *session) placed(text string) string {
	if s.sandbox == nil {
		return text
	}
	return strings.NewReplacer(s.sandbox.http, pageHTTP, s.sandbox.nats, pageNATS).Replace(text)
}

var (
	randomID     = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}`)
	buildVersion = regexp.MustCompile(`"version": ?"[^"]*"`)
)

// alike writes what differs from run to run always in one way: the ids that the service gives
// (UUIDs of version 5), numbered in the order in which they come up, and the version of the
// program. All else must be the same to the letter.
func alike(ids map[string]int, line string) string {
	line = randomID.ReplaceAllStringFunc(line, func(id string) string {
		if _, known := ids[id]; !known {
			ids[id] = len(ids) + 1
		}
		return fmt.Sprintf("id-%d", ids[id])
	})
	return buildVersion.ReplaceAllString(line, `"version": "…"`)
}

func alikeAll(ids map[string]int, lines []string) []string {
	all := make([]string, 0, len(lines))
	for _, line := range lines {
		all = append(all, alike(ids, line))
	}
	return all
}

// pageLines reads a page of the repository.
func pageLines(t testing.TB, page string) []string {
	t.Helper()
	body, err := os.ReadFile(filepath.Join("../..", page))
	require.NoError(t, err)
	return strings.Split(string(body), "\n")
}

// play runs a page from its first command to its last, and wants each to print what the page
// says. With -update it writes down what they print.
func (s *session) play(page string) {
	s.Helper()
	lines := pageLines(s, page)
	require.Empty(s, unchecked(lines), "%s: commands that are not in a block of kind console", page)
	commands := console(lines)
	require.NotEmpty(s, commands)
	of, got := map[string]int{}, map[string]int{}
	written, at := []string(nil), 0
	for _, c := range commands {
		printed := c.printed
		if !elsewhere[c.command] {
			printed = s.run(c.command)
		}
		same := slices.Equal(alikeAll(of, c.printed), alikeAll(got, printed))
		if *updateScripts {
			written = append(written, lines[at:c.from]...)
			if same {
				printed = c.printed
			}
			written, at = append(written, printed...), c.to
			continue
		}
		if !same {
			require.Equal(s, strings.Join(c.printed, "\n"), strings.Join(printed, "\n"), "%s: %s", page, c.command)
		}
	}
	if *updateScripts {
		written = append(written, lines[at:]...)
		require.NoError(s, os.WriteFile(filepath.Join("../..", page), []byte(strings.Join(written, "\n")), 0o600))
	}
}

// elsewhere are the commands of the pages that a test of its own runs.
var elsewhere = map[string]bool{
	"make run":  true, // TestSandboxPlaysAnEpisode
	"make test": true, // which is what runs this
}
