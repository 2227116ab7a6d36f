package main

import (
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// link is a stretch of network that can be cut: a relay of TCP connections. While it is cut,
// nothing that is sent arrives and nobody is told, as on a radio link that is gone.
type link struct {
	net.Listener
	to      string
	cut     atomic.Bool
	dropped atomic.Int64
	mu      sync.Mutex
	open    []net.Conn
}

func newLink(t *testing.T, to string) *link {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	k := &link{Listener: l, to: to}
	t.Cleanup(func() { l.Close(); k.hangUp() })
	go k.serve()
	return k
}

func (k *link) serve() {
	for {
		near, err := k.Accept()
		if err != nil {
			return
		}
		k.keep(near)
		if k.cut.Load() {
			k.dropped.Add(1)
			go func() { _, _ = io.Copy(io.Discard, near) }() // it goes nowhere
			continue
		}
		far, err := net.Dial("tcp", k.to)
		if err != nil {
			near.Close()
			continue
		}
		k.keep(far)
		go func() { _, _ = io.Copy(far, near); far.Close() }()
		go func() { _, _ = io.Copy(near, far); near.Close() }()
	}
}

func (k *link) keep(c net.Conn) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.open = append(k.open, c)
}

func (k *link) hangUp() {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, c := range k.open {
		c.Close()
	}
	k.open = nil
}

// The link is cut when the warning rises; nothing is lost, and once it is back the warning
// arrives under one id.
func TestWarningCrossesALinkThatWasCut(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	k := newLink(t, strings.TrimPrefix(hook.URL, "http://"))
	k.cut.Store(true)
	file := configure(t, slave(t, tired()), "http://"+k.Addr().String())
	out, _ := start(t, "run", "--config", file)
	eventually(t, 30*time.Second, "the first try goes nowhere", func() bool { return k.dropped.Load() > 0 })
	if n := len(hook.notices("low_volts")); n != 0 {
		t.Fatalf("%d notices crossed a link that is cut", n)
	}
	k.cut.Store(false)
	k.hangUp() // what was on its way is lost
	eventually(t, 90*time.Second, "the warning arrives", func() bool { return len(hook.notices("low_volts")) > 0 })
	ids := map[string]bool{}
	for _, n := range hook.notices("low_volts") {
		ids[n.ID] = true
	}
	if len(ids) != 1 {
		t.Errorf("one alarm came under %d ids:\n%s", len(ids), fmt.Sprint(out))
	}
}
