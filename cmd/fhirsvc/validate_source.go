package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// longestResource is the most that one resource may be, in bytes: what the validator
// reads at most, and a byte, so that it says so itself.
const longestResource = 64<<20 + 1

// sources are the files to read, in order.
type sources struct {
	files  []string // "-" is standard input
	others int      // files of folders that are left aside
	stdin  io.Reader
}

// sourcesOf looks up what was named; a folder gives its files in order of name.
func sourcesOf(named []string, stdin io.Reader) (*sources, error) {
	s := &sources{stdin: stdin}
	var faults []error
	for _, name := range named {
		if name == "-" {
			s.files = append(s.files, name)
			continue
		}
		info, err := os.Stat(name)
		switch {
		case err != nil:
			faults = append(faults, fmt.Errorf("validate: %w", err))
		case !info.IsDir():
			s.files = append(s.files, name)
		default:
			faults = append(faults, s.folder(name))
		}
	}
	return s, errors.Join(faults...)
}

func (s *sources) folder(name string) error {
	before := len(s.files)
	err := filepath.WalkDir(name, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return fmt.Errorf("validate: %w", err)
		case d.IsDir():
			return nil
		case slices.Contains([]string{".json", ".ndjson"}, strings.ToLower(filepath.Ext(path))):
			s.files = append(s.files, path)
		default:
			s.others++
		}
		return nil
	})
	if err == nil && len(s.files) == before {
		return fmt.Errorf("validate: there is no .json or .ndjson file in %s", name)
	}
	return err
}

// resource is one text to check: where it begins, and its bytes.
type resource struct {
	file string
	line int // 1-based, of its first line
	body []byte
}

// read gives the resources of a file, one after the other. yield returns false to stop.
func (s *sources) read(name string, yield func(resource) bool) error {
	if name == "-" {
		return split(name, s.stdin, yield)
	}
	f, err := os.Open(name)
	if err != nil {
		return fmt.Errorf("validate: %w", err)
	}
	defer f.Close() //nolint:errcheck // it was only read
	return split(name, f, yield)
}

// split tells one resource from a resource a line. It is the latter when the name says
// so, or when the first line is a whole JSON value; no more than one is held at a time.
func split(name string, r io.Reader, yield func(resource) bool) error {
	in := bufio.NewReaderSize(r, 64<<10)
	byLine := strings.EqualFold(filepath.Ext(name), ".ndjson")
	for line := 1; ; line++ {
		text, err := readLine(in)
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("validate: read %s: %w", name, err)
		}
		last := err != nil
		if line == 1 && !byLine && !json.Valid(text) {
			rest, err := io.ReadAll(io.LimitReader(in, longestResource))
			if err != nil {
				return fmt.Errorf("validate: read %s: %w", name, err)
			}
			yield(resource{name, 1, append(text, rest...)})
			return nil
		}
		if len(bytes.TrimSpace(text)) > 0 && !yield(resource{name, line, text}) || last {
			return nil
		}
	}
}

// readLine reads to the end of a line, and with it; of one that is too long the start.
func readLine(in *bufio.Reader) ([]byte, error) {
	var line []byte
	for {
		part, err := in.ReadSlice('\n')
		if room := longestResource - len(line); len(part) > room {
			part = part[:room]
		}
		line = append(line, part...)
		if !errors.Is(err, bufio.ErrBufferFull) {
			return line, err
		}
	}
}

// isTerminal reports whether a person may be watching.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
