package site

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// The variables by which the test program tells what it is started as.
const (
	asBroker   = "FHIRSVC_FAULT_BROKER"   // a node of the cluster, with its settings
	asIsolated = "FHIRSVC_FAULT_ISOLATED" // PID 1 of a namespace, with the folder for everything
)

func TestMain(m *testing.M) {
	flag.Parse()
	if text := os.Getenv(asBroker); text != "" {
		os.Exit(runBroker(text))
	}
	if os.Geteuid() == 0 && os.Getenv(asIsolated) == "" {
		code, err := isolate()
		if err == nil {
			os.Exit(code)
		}
		fmt.Fprintln(os.Stderr, "no name spaces of our own, and so no faults of disks:", err)
	}
	os.Exit(m.Run())
}

// isolated reports whether mounts and processes end with this process.
func isolated() bool { return os.Getenv(asIsolated) != "" }

// isolate runs this program in name spaces of its own for mounts, processes and shared memory: whatever
// becomes of it, the kernel ends all its processes and takes its file systems down. The error
// says why there are no name spaces to be had.
func isolate() (code int, err error) {
	dir, err := os.MkdirTemp(roomyFolder(), "fhirsvc-fault-")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	cmd := exec.Command(os.Args[0], os.Args[1:]...)
	cmd.Env = append(os.Environ(), asIsolated+"="+dir)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = os.Stdin, os.Stdout, os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags: syscall.CLONE_NEWNS | syscall.CLONE_NEWPID | syscall.CLONE_NEWIPC, Pdeathsig: syscall.SIGKILL,
	}
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	if err := cmd.Start(); err != nil {
		return 0, err
	}
	go func() {
		<-signals
		_ = cmd.Process.Kill() // and with it all others
	}()
	if err := cmd.Wait(); err != nil {
		return max(1, cmd.ProcessState.ExitCode()), nil
	}
	return 0, nil
}

// roomyFolder is in memory where there is such a folder: a sync is then cheap, and what it
// means is decided by the file systems that stand on it.
func roomyFolder() string {
	const shm = "/dev/shm"
	var s syscall.Statfs_t
	if err := syscall.Statfs(shm, &s); err == nil && s.Bavail*uint64(s.Bsize) > 2<<30 {
		return shm
	}
	return os.TempDir()
}

// ownProc makes /proc tell of this name space, which is where process.family looks.
func ownProc() error {
	if !isolated() {
		return nil
	}
	if err := syscall.Mount("", "/", "", syscall.MS_REC|syscall.MS_PRIVATE, ""); err != nil {
		return err
	}
	return syscall.Mount("proc", "/proc", "proc", 0, "")
}

// folder is where a site keeps everything. Others own what is in it, and go through it.
func folder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if isolated() {
		dir = filepath.Join(os.Getenv(asIsolated), strings.NewReplacer("/", "-", " ", "-").Replace(t.Name()))
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, d := range []string{dir, filepath.Dir(dir)} {
		if err := os.Chmod(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func decode(text string, to any) error { return json.Unmarshal([]byte(text), to) }
