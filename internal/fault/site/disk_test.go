package site

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// disk is a file system of its own, which can be filled up and cut off, where root and
// loop devices allow it; else it is a folder.
type disk struct {
	dir   string
	image string // "" for a folder
}

// noDisks tells why there can be no file systems of our own; nil if there can.
func noDisks(base string) error {
	if !isolated() {
		return errors.New("that takes root, and name spaces")
	}
	d, err := newDisk(base, "trial", true, 8, os.Getuid(), os.Getgid())
	if err == nil {
		d.close()
	}
	return err
}

// newDisk makes a file system of so many megabytes that belongs to a user, or a folder.
func newDisk(base, name string, real bool, megabytes int64, uid, gid int) (*disk, error) {
	d := &disk{dir: filepath.Join(base, name)}
	if err := os.MkdirAll(d.dir, 0o755); err != nil {
		return nil, err
	}
	if real {
		d.image = d.dir + ".img"
		if err := os.WriteFile(d.image, nil, 0o600); err != nil {
			return nil, err
		}
		if err := os.Truncate(d.image, megabytes<<20); err != nil {
			return nil, err
		}
		if err := do("mkfs.ext4", "-q", "-F", "-m", "0", d.image); err != nil {
			return nil, err
		}
		if err := d.mount(); err != nil {
			return nil, err
		}
		if err := os.RemoveAll(filepath.Join(d.dir, "lost+found")); err != nil {
			return nil, err
		}
	}
	return d, os.Chown(d.dir, uid, gid)
}

func do(name string, args ...string) error {
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s %v: %w: %s", name, args, err, out)
	}
	return nil
}

func (d *disk) mount() error { return do("mount", "-o", "loop", d.image, d.dir) }

// sync writes down what only we know: the set-up is not what a power cut is to lose.
func (d *disk) sync() error {
	f, err := os.Open(d.dir)
	if err != nil {
		return err
	}
	defer f.Close() //nolint:errcheck // opened for the request alone
	return unix.Syncfs(int(f.Fd()))
}

// can reports whether there is a file system to be filled or cut off.
func (d *disk) can() bool { return d.image != "" }

// ballast is what fills the disk.
func (d *disk) ballast() string { return filepath.Join(d.dir, "ballast") }

// fill leaves no room.
func (d *disk) fill() error {
	f, err := os.OpenFile(d.ballast(), os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer f.Close() //nolint:errcheck // it is never read
	for size, at := int64(64<<20), int64(0); size >= 4096; {
		err := syscall.Fallocate(int(f.Fd()), 0, at, size)
		switch {
		case err == nil:
			at += size
		case errors.Is(err, syscall.ENOSPC):
			size /= 2
		default:
			return err
		}
	}
	return nil
}

// free makes room again, for good: a power cut does not bring the ballast back.
func (d *disk) free() error { return errors.Join(os.Remove(d.ballast()), d.sync()) }

// The request that cuts an ext4 file system off from its disk, as xfstests do: linux
// include/uapi/linux/fs.h and fs/ext4/ext4.h, EXT4_IOC_SHUTDOWN = _IOR('X', 125, __u32)
// with EXT4_GOING_FLAGS_NOLOGFLUSH. What was not synced is lost, as with the machine's power.
const (
	shutdownRequest = 0x8004587d
	withoutFlush    = 2
)

// cut takes the power away: nothing more reaches the disk.
func (d *disk) cut() error {
	f, err := os.Open(d.dir)
	if err != nil {
		return err
	}
	defer f.Close() //nolint:errcheck // opened for the request alone
	how := uint32(withoutFlush)
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), shutdownRequest, uintptr(unsafe.Pointer(&how))); errno != 0 {
		return fmt.Errorf("cut %s off: %w", d.dir, errno)
	}
	return nil
}

// back mounts what the disk holds, once nobody uses it any more.
func (d *disk) back() error {
	if err := do("umount", d.dir); err != nil {
		return err
	}
	return d.mount()
}

// close gives the file system up.
func (d *disk) close() {
	if d.can() {
		_ = do("umount", d.dir) // the name space takes it down in any case
		_ = os.Remove(d.image)
	}
}
