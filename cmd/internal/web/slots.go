package web

import (
	"context"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"
)

// Slots for connections. All of them bound the memory that clients can take: a connection costs
// some 10 kB. One address gets a part of them, so that whoever holds connections open from one
// machine shuts nobody else out; and a connection over which nothing is answered just now makes
// room for a new one, so that it does not even shut out another client of the same machine.
const (
	maxConns   = 64
	maxPerAddr = 32
)

// slots is a listener that gives each connection a slot. It never waits for one.
type slots struct {
	net.Listener
	mu    sync.Mutex
	taken map[*slot]struct{}
}

// slot is a connection in its place.
type slot struct {
	net.Conn
	of    *slots
	addr  string       // without the port
	since atomic.Int64 // when it was last of use, ns since 1970
	busy  atomic.Int64 // requests that are answered over it just now
	free  sync.Once
}

func newSlots(l net.Listener) *slots { return &slots{Listener: l, taken: map[*slot]struct{}{}} }

// Accept implements [net.Listener].
func (s *slots) Accept() (net.Conn, error) {
	for {
		c, err := s.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if taken := s.take(c); taken != nil {
			return taken, nil
		}
		_ = c.Close() // it is nobody's yet
	}
}

// take gives a connection a slot; nil where there is none to be had.
func (s *slots) take(c net.Conn) *slot {
	addr, _, err := net.SplitHostPort(c.RemoteAddr().String())
	if err != nil {
		addr = "" // a socket in the file system
	}
	fresh := &slot{Conn: c, of: s, addr: addr}
	fresh.since.Store(time.Now().UnixNano())
	s.mu.Lock()
	defer s.mu.Unlock()
	same := 0
	var oldest, oldestSame *slot // of those that are not busy
	for x := range s.taken {
		if x.addr == addr {
			same++
		}
		if x.busy.Load() > 0 {
			continue
		}
		if oldest == nil || x.since.Load() < oldest.since.Load() {
			oldest = x
		}
		if x.addr == addr && (oldestSame == nil || x.since.Load() < oldestSame.since.Load()) {
			oldestSame = x
		}
	}
	evicted := oldest
	if same >= maxPerAddr {
		evicted = oldestSame
	}
	if same >= maxPerAddr || len(s.taken) >= maxConns {
		if evicted == nil {
			return nil
		}
		delete(s.taken, evicted)
		_ = evicted.Conn.Close() // nobody waits for an answer over it
	}
	s.taken[fresh] = struct{}{}
	return fresh
}

// Close gives the slot free.
func (c *slot) Close() error {
	c.free.Do(func() {
		c.of.mu.Lock()
		delete(c.of.taken, c)
		c.of.mu.Unlock()
	})
	return c.Conn.Close()
}

type slotKey struct{}

// remember has a request know its slot; see [http.Server.ConnContext].
func remember(ctx context.Context, c net.Conn) context.Context {
	if wrapped, is := c.(interface{ NetConn() net.Conn }); is { // TLS
		c = wrapped.NetConn()
	}
	return context.WithValue(ctx, slotKey{}, c)
}

// noteBusy marks the connection of a request as one that is in use.
func noteBusy(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if c, is := r.Context().Value(slotKey{}).(*slot); is {
			c.busy.Add(1)
			defer func() {
				c.since.Store(time.Now().UnixNano())
				c.busy.Add(-1)
			}()
		}
		next.ServeHTTP(w, r)
	})
}
