// Package link is a connection that fails when it is told to: it stands between a client
// and a server on loopback and passes on what comes, late, or not at all. It is for tests.
//
//	l, err := link.New("127.0.0.1:5432")
//	l.Set(link.Swallowing) // clients of l.Addr() hear nothing more, and nobody tells them
package link
