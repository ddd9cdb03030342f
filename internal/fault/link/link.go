package link

import (
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"time"
)

// Manner is what a link does with what comes.
type Manner int

// The manners of a link.
const (
	Passing    Manner = iota
	Cut               // connections are reset, new ones are refused
	Slow              // everything is late
	Swallowing        // nothing comes through, and nobody is told
)

// lateness is how late a slow link is, for each piece of at most 32 KiB.
const lateness = 120 * time.Millisecond

// Link stands between clients and one server.
type Link struct {
	listener net.Listener
	upstream string

	mu      sync.Mutex
	manner  Manner
	changed chan struct{} // closed when the manner changes
	pairs   map[*pair]bool
}

// pair is a connection and its other half.
type pair struct {
	in, out net.Conn
	lost    bool // what is between them forgets the connection and tells nobody
}

// New opens a link to a server, on a free port of loopback.
func New(upstream string) (*Link, error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	l := &Link{listener: listener, upstream: upstream, changed: make(chan struct{}), pairs: map[*pair]bool{}}
	go l.accept()
	return l, nil
}

// Addr is where clients connect.
func (l *Link) Addr() string { return l.listener.Addr().String() }

// Port is the port of Addr.
func (l *Link) Port() int { return l.listener.Addr().(*net.TCPAddr).Port } //nolint:forcetypeassert // New listens on TCP

// Close ends the link and its connections.
func (l *Link) Close() {
	_ = l.listener.Close() // accept ends
	l.Set(Cut)
}

// Set changes the manner. With Cut all connections end.
func (l *Link) Set(m Manner) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.manner = m
	close(l.changed)
	l.changed = make(chan struct{})
	if m != Cut {
		return
	}
	for c := range l.pairs {
		c.end()
	}
}

// Lose forgets the connections there are, as a gateway does that was started again: they
// stay open on both sides, and nothing ever comes through.
func (l *Link) Lose() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for c := range l.pairs {
		c.lost = true
	}
}

func (l *Link) accept() {
	for {
		in, err := l.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err == nil {
			go l.join(in)
		}
	}
}

func (l *Link) join(in net.Conn) {
	if m, _ := l.now(); m == Cut {
		reset(in)
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	var dialer net.Dialer
	out, err := dialer.DialContext(ctx, "tcp", l.upstream)
	if err != nil {
		reset(in)
		return
	}
	c := &pair{in: in, out: out}
	l.mu.Lock()
	l.pairs[c] = true
	l.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() { l.carry(c, in, out) })
	both.Go(func() { l.carry(c, out, in) })
	both.Wait()
	l.mu.Lock()
	delete(l.pairs, c)
	l.mu.Unlock()
}

// carry copies one direction until an end is closed.
func (l *Link) carry(c *pair, from, to net.Conn) {
	defer c.end()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		if n > 0 && !l.gate(c) {
			_, _ = io.Copy(io.Discard, from) // until it is closed
			return
		}
		if n > 0 {
			if _, err := to.Write(buffer[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// gate waits as the manner wants; false if the connection is lost.
func (l *Link) gate(c *pair) bool {
	if m, _ := l.now(); m == Slow {
		time.Sleep(lateness)
	}
	for {
		m, changed := l.now()
		l.mu.Lock()
		lost := c.lost
		l.mu.Unlock()
		switch {
		case lost:
			return false
		case m != Swallowing:
			return true
		}
		<-changed
	}
}

func (l *Link) now() (Manner, <-chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.manner, l.changed
}

func (c *pair) end() {
	reset(c.in)
	reset(c.out)
}

// reset ends a connection at once, as a network that breaks does.
func reset(c net.Conn) {
	if t, ok := c.(*net.TCPConn); ok {
		_ = t.SetLinger(0) // it may be closed already
	}
	_ = c.Close()
}
