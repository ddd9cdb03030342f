package site

import (
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"time"
)

// manner is what a proxy does with what comes.
type manner int

const (
	passing    manner = iota
	cut               // connections are reset, new ones are refused
	slow              // everything is late
	swallowing        // nothing comes through, and nobody is told
)

// lateness is how late a slow proxy is, for each piece of at most 32 KiB.
const lateness = 120 * time.Millisecond

// proxy stands between a replica and one server.
type proxy struct {
	listener net.Listener
	upstream string

	mu      sync.Mutex
	manner  manner
	changed chan struct{} // closed when the manner changes
	pairs   map[*pair]bool
}

// pair is a connection and its other half.
type pair struct {
	in, out net.Conn
	lost    bool // what is between them forgets the connection and tells nobody
}

func newProxy(upstream string) (*proxy, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &proxy{listener: l, upstream: upstream, changed: make(chan struct{}), pairs: map[*pair]bool{}}
	go p.accept()
	return p, nil
}

func (p *proxy) addr() string { return p.listener.Addr().String() }

func (p *proxy) close() {
	_ = p.listener.Close() // accept ends
	p.set(cut)
}

// set changes the manner. With cut all connections end.
func (p *proxy) set(m manner) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.manner = m
	close(p.changed)
	p.changed = make(chan struct{})
	if m != cut {
		return
	}
	for c := range p.pairs {
		c.end()
	}
}

// lose forgets the connections there are, as a gateway does that was started again: they
// stay open on both sides, and nothing ever comes through.
func (p *proxy) lose() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.pairs {
		c.lost = true
	}
}

func (p *proxy) accept() {
	for {
		in, err := p.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err == nil {
			go p.join(in)
		}
	}
}

func (p *proxy) join(in net.Conn) {
	if m, _ := p.now(); m == cut {
		reset(in)
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	var dialer net.Dialer
	out, err := dialer.DialContext(ctx, "tcp", p.upstream)
	if err != nil {
		reset(in)
		return
	}
	c := &pair{in: in, out: out}
	p.mu.Lock()
	p.pairs[c] = true
	p.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() { p.carry(c, in, out) })
	both.Go(func() { p.carry(c, out, in) })
	both.Wait()
	p.mu.Lock()
	delete(p.pairs, c)
	p.mu.Unlock()
}

// carry copies one direction until an end is closed.
func (p *proxy) carry(c *pair, from, to net.Conn) {
	defer c.end()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		if n > 0 && !p.gate(c) {
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
func (p *proxy) gate(c *pair) bool {
	if m, _ := p.now(); m == slow {
		time.Sleep(lateness)
	}
	for {
		m, changed := p.now()
		p.mu.Lock()
		lost := c.lost
		p.mu.Unlock()
		switch {
		case lost:
			return false
		case m != swallowing:
			return true
		}
		<-changed
	}
}

func (p *proxy) now() (manner, <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.manner, p.changed
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
