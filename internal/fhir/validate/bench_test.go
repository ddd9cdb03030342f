package validate_test

import (
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// benchSet is the published examples of six types that a charting system sends.
func benchSet(b *testing.B) [][]byte {
	b.Helper()
	var out [][]byte
	for name, body := range instances(b) {
		switch kind, _, _ := strings.Cut(name, "-"); kind {
		case "Task", "CarePlan", "Observation", "Patient", "Procedure", "Encounter":
			out = append(out, body)
		}
	}
	return out
}

// BenchmarkPublished validates 135 published examples, everything switched on; one
// iteration is one resource.
func BenchmarkPublished(b *testing.B) {
	set := benchSet(b)
	v := validate.New(validate.Options{})
	size := 0
	for _, body := range set {
		v.Resource(body)
		size += len(body)
	}
	b.SetBytes(int64(size / len(set)))
	b.ReportAllocs()
	var took []time.Duration
	for b.Loop() {
		start := time.Now()
		v.Resource(set[len(took)%len(set)])
		took = append(took, time.Since(start))
	}
	slices.Sort(took)
	b.ReportMetric(float64(len(took))/b.Elapsed().Seconds(), "resources/s")
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
}

// BenchmarkMemory reports what the heap holds when every resource type was met.
func BenchmarkMemory(b *testing.B) {
	for b.Loop() {
		v := validate.New(validate.Options{})
		for _, name := range definitions.R4().TypeNames() {
			v.Resource([]byte(`{"resourceType":"` + name + `"}`))
		}
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.HeapAlloc)/(1<<20), "heap-MB")
		runtime.KeepAlive(v)
	}
}

func BenchmarkTask(b *testing.B)      { one(b, "Task") }
func BenchmarkHeartRate(b *testing.B) { one(b, "Observation-heart-rate") }

func one(b *testing.B, name string) {
	body := []byte(mustRead(b, name))
	v := validate.New(validate.Options{})
	v.Resource(body)
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		v.Resource(body)
	}
}

// BenchmarkParse is the part of BenchmarkPublished that reading takes.
func BenchmarkParse(b *testing.B) {
	set := benchSet(b)
	b.ReportAllocs()
	var r tree.Reader
	i := 0
	for b.Loop() {
		r.Read(set[i%len(set)], tree.Limits{})
		i++
	}
}

// BenchmarkStart makes a Validator and checks a first Task, the definitions apart,
// which are unpacked once in a process.
func BenchmarkStart(b *testing.B) {
	body := []byte(mustRead(b, "Task"))
	for b.Loop() {
		validate.New(validate.Options{}).Resource(body)
	}
}
