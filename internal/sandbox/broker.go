package sandbox

import (
	"errors"
	"fmt"
	"net"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// maxPayload leaves room for the largest event that is kept whole, written as base64
// with its reason.
const maxPayload = 2 << 20

// Broker is an embedded JetStream server: the real one, in this process.
type Broker struct{ s *server.Server }

// StartBroker starts a JetStream server that listens on addr (port 0 picks a free one)
// and keeps its streams in dir. Only a loopback address is taken, since it asks nobody
// who they are. It syncs every message before it acknowledges: with the server's default
// the last two minutes can be lost with the machine.
func StartBroker(addr, dir string) (*Broker, error) {
	host, port, err := loopback(addr)
	if err != nil {
		return nil, err
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	s, err := server.NewServer(&server.Options{
		ServerName: "fhirsvc-sandbox",
		Host:       host,
		Port:       port,
		JetStream:  true,
		StoreDir:   dir,
		SyncAlways: true,
		MaxPayload: maxPayload,
		NoSigs:     true, // signals are the caller's
		NoLog:      true,
	})
	if err != nil {
		return nil, fmt.Errorf("broker on %s: %w", addr, err)
	}
	s.Start()
	b := &Broker{s: s}
	if !s.ReadyForConnections(20 * time.Second) {
		b.Close()
		return nil, fmt.Errorf("broker on %s: does not start; is the address in use?", addr)
	}
	return b, nil
}

// URL is where clients connect.
func (b *Broker) URL() string { return b.s.ClientURL() }

// Close stops the server and waits until it has written what it holds.
func (b *Broker) Close() {
	b.s.Shutdown()
	b.s.WaitForShutdown()
}

func loopback(addr string) (host string, port int, err error) {
	host, text, err := net.SplitHostPort(addr)
	if err != nil {
		return "", 0, fmt.Errorf("address %q: want host:port", addr)
	}
	port, err = strconv.Atoi(text)
	if err != nil || port < 0 || port > 65535 {
		return "", 0, fmt.Errorf("address %q: port must be 0 to 65535", addr)
	}
	ip := net.ParseIP(host)
	if host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return "", 0, errors.New("the sandbox is open to whoever reaches it: its addresses must be on loopback, such as 127.0.0.1")
	}
	return host, port, nil
}
