// Package load has many people at once work on a running service, over the wire alone: cases of
// sandbox/bedside begin at a fixed rate, however slow the service is, and what their requests
// took is counted.
//
// It knows how to begin, time and count; what people do is bedside's. It must not know how the
// service is built.
//
//	figures, err := load.Run(ctx, load.Options{HTTP: httpURL, PerMinute: 30, For: time.Minute, Hour: 10 * time.Second})
//	figures.Write(os.Stdout)
package load
