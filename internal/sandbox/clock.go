package sandbox

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"
)

// ErrBackwards says that a clock was to be turned back.
var ErrBackwards = errors.New("the clock only goes forward")

// Clock gives the time that computes: real time, real time sped up, or a time that
// stands still until it is turned. It is kept in a file, so that a restart on the same
// data never goes back before what is stored there.
type Clock struct {
	rate int // 0 for a manual clock
	file string

	mu     sync.Mutex
	anchor anchor
}

// anchor ties sandbox time to real time. For a manual clock Now is the time itself.
type anchor struct {
	Real time.Time `json:"real"`
	Now  time.Time `json:"now"`
}

// OpenClock returns a clock of the kind wall, manual or fast:N (N sandbox seconds a real
// one). A clock other than wall begins at start, or where file has it if start is zero,
// or now. A start before what the file has is refused.
func OpenClock(kind string, start time.Time, file string) (*Clock, error) {
	rate, err := rateOf(kind)
	if err != nil {
		return nil, err
	}
	if kind == "wall" {
		if !start.IsZero() {
			return nil, errors.New("a wall clock can't be set; use a manual or a fast one")
		}
		now := time.Now()
		return &Clock{rate: 1, anchor: anchor{Real: now, Now: now}}, nil
	}
	c := &Clock{rate: rate, file: file}
	if err := c.load(); err != nil {
		return nil, err
	}
	known := !c.anchor.Now.IsZero()
	switch {
	case known && start.IsZero():
	case known && start.Before(c.Now()):
		return nil, fmt.Errorf("start at %s: the data is from %s already: %w",
			start.Format(time.RFC3339), c.Now().Format(time.RFC3339), ErrBackwards)
	case start.IsZero():
		c.anchor = anchor{Real: time.Now(), Now: time.Now().UTC()}
	default:
		c.anchor = anchor{Real: time.Now(), Now: start.UTC()}
	}
	return c, c.save()
}

func rateOf(kind string) (int, error) {
	switch kind {
	case "wall":
		return 1, nil
	case "manual":
		return 0, nil
	}
	if text, ok := strings.CutPrefix(kind, "fast:"); ok {
		if n, err := strconv.Atoi(text); err == nil && n >= 1 && n <= 3600 {
			return n, nil
		}
	}
	return 0, fmt.Errorf("clock %q: want wall, manual or fast:N with N from 1 to 3600", kind)
}

// Now gives the clock's time, UTC.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.rate == 0 {
		return c.anchor.Now
	}
	return c.anchor.Now.Add(time.Since(c.anchor.Real) * time.Duration(c.rate)).UTC()
}

// Manual reports whether the clock stands until it is turned.
func (c *Clock) Manual() bool { return c.rate == 0 }

// Rate is the number of clock seconds in a real one, 0 for a manual clock.
func (c *Clock) Rate() int { return c.rate }

// Set turns a manual clock forward.
func (c *Clock) Set(to time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if to.Before(c.anchor.Now) {
		return ErrBackwards
	}
	c.anchor.Now = to.UTC()
	return c.save()
}

func (c *Clock) load() error {
	body, err := os.ReadFile(c.file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = json.Unmarshal(body, &c.anchor)
	}
	if err != nil {
		return fmt.Errorf("clock file: %w", err)
	}
	return nil
}

// save replaces the file whole, so that a crash leaves the old one or the new one.
func (c *Clock) save() error {
	body, err := json.Marshal(c.anchor)
	if err != nil {
		return err
	}
	fresh := c.file + ".new"
	if err := os.WriteFile(fresh, body, 0o600); err != nil {
		return fmt.Errorf("clock file: %w", err)
	}
	return os.Rename(fresh, c.file)
}
