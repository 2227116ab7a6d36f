package cost

import (
	"context"
	"net"
	"sync/atomic"
	"time"
)

// Sent counts the bytes that are handed to the network: what goes through its connections, TLS
// and HTTP included. Headers of TCP and IP, resent packets and look-ups of names are not
// among them. It may be used by several goroutines; the zero Sent is ready.
type Sent struct{ bytes atomic.Int64 }

// Dial opens a connection, as [net.Dialer.DialContext] does.
type Dial = func(ctx context.Context, network, address string) (net.Conn, error)

// dialLimit is that of the standard library's own HTTP client.
const dialLimit = 30 * time.Second

// Bytes is the count since the start.
func (s *Sent) Bytes() int64 { return s.bytes.Load() }

// DialContext opens a connection as a [net.Dialer] does, and counts what is written to it.
func (s *Sent) DialContext(ctx context.Context, network, address string) (net.Conn, error) {
	d := net.Dialer{Timeout: dialLimit}
	c, err := d.DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	return counted{c, s}, nil
}

// Listener counts what is written to the connections that a listener accepts.
func (s *Sent) Listener(l net.Listener) net.Listener { return countedListener{l, s} }

type counted struct {
	net.Conn
	sent *Sent
}

// Write counts what was taken, also beside an error.
func (c counted) Write(p []byte) (int, error) {
	n, err := c.Conn.Write(p)
	c.sent.bytes.Add(int64(n))
	return n, err
}

type countedListener struct {
	net.Listener
	sent *Sent
}

// Accept waits for a connection.
func (l countedListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return counted{c, l.sent}, nil
}
