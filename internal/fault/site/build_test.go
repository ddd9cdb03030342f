package site

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// lease is how long a replica has what it has in hand: here short for all that
// is leased, so that a run need not wait for it.
const lease = "leaseOfRuns"

// edit changes the product's source for a build: one place, which must be there as it is
// written here.
type edit struct{ file, old, new string }

// forRuns are what every build of a run has: a short lease.
func forRuns() []edit {
	return []edit{{
		"cmd/fhirsvc/serve.go", "clock: shared.Now, shared: shared,",
		"clock: shared.Now, shared: shared, lease: " + lease + ",",
	}}
}

// steppedClock is a clock that a file steps from that of the machine. The service goes by its
// database's: this one is for a bug that is planted, and shows there that the steps are real.
const steppedClock = `package main

import (
	"os"
	"time"
)

const leaseOfRuns = time.Second

func stepped() time.Time {
	text, err := os.ReadFile(os.Getenv("` + clockFile + `"))
	if err != nil {
		return time.Now()
	}
	step, err := time.ParseDuration(string(text))
	if err != nil {
		panic(err)
	}
	return time.Now().Add(step)
}
`

// clockFile is the variable that names the file of a replica's clock.
const clockFile = "FHIRSVC_FAULT_CLOCK"

// build makes a binary of the product with these edits, which are laid over the source and
// leave it as it is.
func build(dir, name string, edits ...edit) (string, error) {
	root, err := filepath.Abs("../../..")
	if err != nil {
		return "", err
	}
	laid := map[string]string{}
	lay := func(file, text string) error {
		at := filepath.Join(dir, name+"-"+strings.ReplaceAll(file, "/", "-"))
		laid[filepath.Join(root, file)] = at
		return os.WriteFile(at, []byte(text), 0o600)
	}
	texts := map[string]string{"cmd/fhirsvc/stepped.go": steppedClock}
	for _, e := range append(forRuns(), edits...) {
		text, ok := texts[e.file]
		if !ok {
			body, err := os.ReadFile(filepath.Join(root, e.file))
			if err != nil {
				return "", err
			}
			text = string(body)
		}
		if strings.Count(text, e.old) != 1 {
			return "", fmt.Errorf("%s: want once: %s", e.file, e.old)
		}
		texts[e.file] = strings.Replace(text, e.old, e.new, 1)
	}
	for file, text := range texts {
		if err := lay(file, text); err != nil {
			return "", err
		}
	}
	overlay, err := json.Marshal(map[string]map[string]string{"Replace": laid})
	if err != nil {
		return "", err
	}
	list := filepath.Join(dir, name+"-overlay.json")
	if err := os.WriteFile(list, overlay, 0o600); err != nil {
		return "", err
	}
	binary := filepath.Join(dir, name)
	cmd := exec.Command("go", "build", "-overlay", list, "-o", binary, "./cmd/fhirsvc")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build: %w: %s", err, out)
	}
	return binary, nil
}
