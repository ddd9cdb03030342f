package bench

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// batch is how many times the Task is judged between two looks at the clock.
const batch = 50

// mostTimes bounds the times that are kept. They are on the heap that the collector
// paces itself by, so there must be few beside what a contender holds.
const mostTimes = 1 << 17

// taskBatches is how many batches of the Task are judged.
const taskBatches = 60

// Judge accepts a resource or does not.
type Judge func(resource []byte) bool

// Serve is the contender's side, for those in Go: it loads, measures, and writes what
// came out. args are the program's own.
func Serve(args []string, w io.Writer, load func() (Judge, error)) error {
	if len(args) != 3 {
		return fmt.Errorf("want the folder of the work and two times in ms, got %q", args)
	}
	folder := args[0]
	warm, err := strconv.Atoi(args[1])
	if err != nil {
		return err
	}
	measured, err := strconv.Atoi(args[2])
	if err != nil {
		return err
	}
	var s Sample
	judge, task, err := start(folder, w, load, &s)
	if err != nil {
		return err
	}
	set, err := read(folder, "set")
	if err != nil {
		return err
	}
	s.pass(judge, set, warm, measured)
	s.tail(judge, set, measured)
	s.task(judge, task)
	if s.Peak, err = resident("VmHWM"); err != nil {
		return err
	}
	return json.NewEncoder(w).Encode(s)
}

// start loads the contender, has it judge a first resource, and then one of every type.
func start(folder string, w io.Writer, load func() (Judge, error), s *Sample) (Judge, []byte, error) {
	task, err := read(folder, "task")
	if err != nil {
		return nil, nil, err
	}
	judge, err := load()
	if err != nil {
		return nil, nil, err
	}
	if !judge(task[0]) {
		return nil, nil, fmt.Errorf("the Task is not accepted")
	}
	if _, err := fmt.Fprintln(w, "ready"); err != nil {
		return nil, nil, err
	}
	s.ReadyCPU = processorTime()
	types, err := read(folder, "types")
	if err != nil {
		return nil, nil, err
	}
	began := time.Now()
	for _, t := range types {
		judge(t)
	}
	s.AllTypes = micros(time.Since(began))
	s.Memory, err = resident("VmRSS")
	return judge, task[0], err
}

// pass judges the set again and again, first to warm up, then measured.
func (s *Sample) pass(judge Judge, set [][]byte, warm, measured int) {
	for _, body := range set {
		if judge(body) {
			s.Accepted++
		}
	}
	for end := processorTime() + float64(warm)*1e3; processorTime() < end; {
		for _, body := range set {
			judge(body)
		}
	}
	took := make([]time.Duration, 0, mostTimes)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	cpu, began := processorTime(), time.Now()
	for end := cpu + float64(measured)*1e3; processorTime() < end && len(took)+len(set) <= cap(took); {
		last := time.Now()
		for _, body := range set {
			judge(body)
			now := time.Now()
			took = append(took, now.Sub(last))
			last = now
		}
	}
	s.Wall, s.CPU = micros(time.Since(began)), processorTime()-cpu
	runtime.ReadMemStats(&after)
	s.Count = len(took)
	s.Allocs = float64(after.Mallocs-before.Mallocs) / float64(s.Count)
	s.Bytes = float64(after.TotalAlloc-before.TotalAlloc) / float64(s.Count)
	slices.Sort(took)
	s.P50, s.P99 = micros(took[len(took)/2]), micros(took[len(took)*99/100])
}

// tail judges the set again with a look at the processor's time before and after each
// resource, which costs too much for the pass that counts resources: what is slow here
// was slow by itself, the collector's share included, and not interrupted by others.
func (s *Sample) tail(judge Judge, set [][]byte, measured int) {
	took := make([]float64, 0, mostTimes)
	for end := processorTime() + float64(measured)*1e3; processorTime() < end && len(took)+len(set) <= cap(took); {
		for _, body := range set {
			before := processorTime()
			judge(body)
			took = append(took, processorTime()-before)
		}
	}
	slices.Sort(took)
	s.P99CPU = took[len(took)*99/100]
}

// task judges the Task in batches. The median batch is one that nobody interrupted.
func (s *Sample) task(judge Judge, task []byte) {
	took := make([]time.Duration, taskBatches)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for i := range took {
		began := time.Now()
		for range batch {
			judge(task)
		}
		took[i] = time.Since(began)
	}
	runtime.ReadMemStats(&after)
	slices.Sort(took)
	s.Task = micros(took[len(took)/2]) / batch
	s.TaskAllocs = float64(after.Mallocs-before.Mallocs) / (batch * taskBatches)
}

// processorTime gives what all threads of the process have used, in microseconds.
func processorTime() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err) // only a wrong argument makes it fail
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e3
}

// resident gives a line of what Linux says of the process's memory, in kB.
func resident(field string) (float64, error) {
	body, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(body)) {
		if rest, ok := strings.CutPrefix(line, field+":"); ok {
			return strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), "kB")), 64)
		}
	}
	return 0, fmt.Errorf("no %s in /proc/self/status", field)
}
