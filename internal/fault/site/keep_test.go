package site

import (
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
)

// keep adds a line about a run of a build to a file, which it begins with a heading. A run
// that could not be played to its end says why.
func (r result) keep(source, file string, failed error) error {
	if file == "" {
		return nil
	}
	f, err := os.OpenFile(file, os.O_CREATE|os.O_APPEND|os.O_RDWR, 0o644)
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err != nil {
		return errors.Join(err, f.Close())
	}
	w := csv.NewWriter(f)
	if info.Size() == 0 {
		err = w.Write([]string{"seed", "build", "faults", "inputs", "attempts", "versions", "outcome", "seconds"})
	}
	var faults []string
	for _, x := range r.faults {
		faults = append(faults, x.String())
	}
	outcome := "sound"
	switch {
	case failed != nil:
		outcome = "not played: " + failed.Error()
	case len(r.breaches) > 0:
		outcome = strings.Join(r.breaches, "; ")
	}
	err = errors.Join(err, w.Write([]string{
		strconv.FormatUint(r.seed, 10), source, strings.Join(faults, "; "), strconv.Itoa(r.inputs), strconv.Itoa(r.attempts),
		strconv.Itoa(r.versions), outcome, fmt.Sprintf("%.1f", r.took.Seconds()),
	}))
	w.Flush()
	return errors.Join(err, w.Error(), f.Close())
}

// commit names the source, "" where that is not known.
func commit() string {
	out, err := exec.Command("git", "describe", "--always", "--dirty").Output()
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(out))
}

// logs are the last complaints of all processes.
func (s *site) logs() string {
	var b strings.Builder
	for _, r := range s.replicas {
		fmt.Fprintf(&b, "%s:\n%s\n", r.log(), tail(r.log(), 15))
	}
	return b.String()
}
