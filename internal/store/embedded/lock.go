package embedded

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// lock takes the folder's lock file for this process. The kernel gives it back when
// the process ends, however it ends; the file itself stays.
func lock(dir string) (*os.File, error) {
	name := filepath.Join(dir, "lock")
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open lock file: %w", err)
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if err == nil {
		return f, nil
	}
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = fmt.Errorf("the data folder %s is in use by another process: end it, or choose another folder", dir)
	}
	return nil, errors.Join(fmt.Errorf("lock %s: %w", name, err), f.Close())
}
