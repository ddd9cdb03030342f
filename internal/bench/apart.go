package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"

	"golang.org/x/sys/unix"
)

// apart gives the database server the first of this process's processors, and this process,
// with what it starts from now on, the others, as if each had a machine of its own. The end
// gives the server back what it had.
func (s *site) apart() (end func() error, err error) {
	var all unix.CPUSet
	if err := unix.SchedGetaffinity(s.postmaster, &all); err != nil {
		return nil, err
	}
	first, others := split(all)
	if others.Count() == 0 {
		return nil, errors.New("-apart needs two processors")
	}
	end = func() error { return bind(family(s.postmaster), &all) }
	if err := bind(family(s.postmaster), &first); err != nil {
		return nil, errors.Join(err, end())
	}
	// What is bound is a thread; a new one inherits from the one that starts it, which may not
	// have been bound yet when it did.
	for range 3 {
		if err := bind(threads(), &others); err != nil {
			return nil, errors.Join(err, end())
		}
	}
	runtime.GOMAXPROCS(others.Count())
	return end, nil
}

// split gives the first processor of a set, and the rest.
func split(all unix.CPUSet) (first, others unix.CPUSet) {
	others = all
	for i := range len(all) * strconv.IntSize {
		if all.IsSet(i) {
			first.Set(i)
			others.Clear(i)
			break
		}
	}
	return first, others
}

func threads() (ids []int) {
	folders, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*", os.Getpid()))
	if err != nil {
		panic(err) // the pattern is ours
	}
	for _, f := range folders {
		if id, err := strconv.Atoi(filepath.Base(f)); err == nil {
			ids = append(ids, id)
		}
	}
	return ids
}

// bind lets processes or threads run on these processors alone. One that is gone needs nothing.
func bind(ids []int, on *unix.CPUSet) error {
	var errs []error
	for _, id := range ids {
		if err := unix.SchedSetaffinity(id, on); err != nil && !errors.Is(err, unix.ESRCH) {
			errs = append(errs, fmt.Errorf("bind %d: %w", id, err))
		}
	}
	return errors.Join(errs...)
}
