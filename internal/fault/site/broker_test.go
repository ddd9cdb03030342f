package site

import (
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"fhirsvc/internal/fault/link"
)

// nodes is how many brokers a cluster has.
const nodes = 3

// brokerSettings are what a node is started with.
type brokerSettings struct {
	Name   string
	Port   int
	Route  int
	Routes []int
	Dir    string
	// Careless nodes acknowledge before they have synced: the server's default.
	Careless bool
}

// runBroker is the life of a node: the real server, in a process of its own. It tells
// clients of no other node, so that they stay on the way that they were given, and other
// nodes of none that can be reached, so that these stay on theirs.
func runBroker(text string) int {
	var s brokerSettings
	if err := decode(text, &s); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	o := &server.Options{
		ServerName: s.Name, Host: "127.0.0.1", Port: s.Port, JetStream: true, StoreDir: s.Dir, SyncAlways: !s.Careless,
		Cluster: server.ClusterOpts{Name: "ward", Host: "127.0.0.1", Port: s.Route, NoAdvertise: true, Advertise: nowhere},
		NoSigs:  true, MaxPayload: 2 << 20,
	}
	for _, port := range s.Routes {
		o.Routes = append(o.Routes, &url.URL{Scheme: "nats", Host: address(port)})
	}
	broker, err := server.NewServer(o)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	broker.ConfigureLogger()
	broker.Start()
	broker.WaitForShutdown()
	return 0
}

// nowhere is an address at which nobody answers (RFC 6335 section 6: port 1 is a system port).
const nowhere = "127.0.0.1:1"

// broker is a node with its disk.
type broker struct {
	settings brokerSettings
	routes   []*link.Link // on which it reaches the others, in order; nil for itself
	disk     *disk
	log      string
	process  *process
}

func (b *broker) addr() string { return address(b.settings.Port) }

func (b *broker) start() error {
	text, err := json.Marshal(b.settings)
	if err != nil {
		return err
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = []string{asBroker + "=" + string(text)}
	b.process, err = launch(b.log, cmd)
	return err
}

// cluster is the three nodes.
type cluster []*broker

func newCluster(base string, disks, careless bool) (cluster, error) {
	var c cluster
	for n := range nodes {
		d, err := newDisk(base, fmt.Sprintf("broker-%d", n+1), disks, 96, os.Getuid(), os.Getgid())
		if err != nil {
			return nil, err
		}
		name := fmt.Sprintf("node-%d", n+1)
		c = append(c, &broker{
			settings: brokerSettings{Name: name, Port: freePort(), Route: freePort(), Dir: d.dir + "/jetstream", Careless: careless},
			disk:     d, log: base + "/" + name + ".log",
		})
	}
	for _, b := range c {
		if err := b.reach(c); err != nil {
			return nil, err
		}
	}
	for _, b := range c {
		if err := b.start(); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// reach gives a node its ways to the others.
func (b *broker) reach(all cluster) error {
	b.routes = make([]*link.Link, len(all))
	for i, other := range all {
		if other == b {
			continue
		}
		l, err := link.New(address(other.settings.Route))
		if err != nil {
			return err
		}
		b.routes[i] = l
		b.settings.Routes = append(b.settings.Routes, l.Port())
	}
	return nil
}

// part sets the manner of all ways between a node and the others.
func (c cluster) part(node int, m link.Manner) {
	for i, b := range c {
		for j, l := range b.routes {
			if l != nil && (i == node || j == node) {
				l.Set(m)
			}
		}
	}
}

func (c cluster) close() {
	for _, b := range c {
		if b.process != nil {
			b.process.kill()
		}
		b.disk.close()
		for _, l := range b.routes {
			if l != nil {
				l.Close()
			}
		}
	}
}

// url names all nodes, directly.
func (c cluster) url() string {
	text := ""
	for i, b := range c {
		if i > 0 {
			text += ","
		}
		text += "nats://" + b.addr()
	}
	return text
}

// dial connects to any node, and comes back for ever.
func (c cluster) dial() (*nats.Conn, error) {
	return nats.Connect(c.url(), nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond),
		nats.RetryOnFailedConnect(true), nats.Timeout(time.Second), nats.PingInterval(2*time.Second))
}
