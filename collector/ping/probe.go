package ping

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	probing "github.com/prometheus-community/pro-bing"
	"golang.org/x/net/icmp"
)

// echoer sends real ICMP echo.
type echoer struct{}

// probe looks whether anything can be sent at all before it starts the library: towards a
// prohibited host the library spins without ever looking at its context.
func (e echoer) probe(ctx context.Context, to netip.Addr, c Config) (outcome, error) {
	if err := ctx.Err(); err != nil {
		return outcome{}, err
	}
	if err := reach(ctx, to); err != nil {
		return outcome{}, err
	}
	raw, err := mode(to)
	if err != nil {
		return outcome{}, err
	}
	o, err := run(ctx, to, c, raw)
	if err == nil && len(o.rtts) == 0 && o.lost > 0 {
		err = whySilent(ctx, to)
	}
	return o, err
}

// reach connects a datagram socket, which sends nothing: the kernel only looks for a route.
func reach(ctx context.Context, to netip.Addr) error {
	var d net.Dialer
	conn, err := d.DialContext(ctx, "udp", netip.AddrPortFrom(to, discardPort).String())
	if err != nil {
		return sortOut(err)
	}
	return conn.Close()
}

// discardPort is the port of the discard service (RFC 863); nothing need listen there.
const discardPort = 9

// sortOut puts the system's word into ours.
func sortOut(err error) error {
	switch {
	case errors.Is(err, syscall.EACCES), errors.Is(err, syscall.EPERM):
		return fmt.Errorf("%w (%w)", ErrProhibited, plain(err))
	case errors.Is(err, syscall.ENETUNREACH), errors.Is(err, syscall.EHOSTUNREACH),
		errors.Is(err, syscall.ENETDOWN), errors.Is(err, syscall.EADDRNOTAVAIL), errors.Is(err, syscall.EINVAL):
		return fmt.Errorf("%w (%w)", ErrUnreachable, plain(err))
	}
	return err
}

// plain is the system's error without the call around it.
func plain(err error) error {
	var no syscall.Errno
	if errors.As(err, &no) {
		return no
	}
	return err
}

// mode finds out whether echo to this family must use raw sockets.
func mode(to netip.Addr) (raw bool, err error) {
	plain, privileged := "udp4", "ip4:icmp"
	if !to.Is4() {
		plain, privileged = "udp6", "ip6:ipv6-icmp"
	}
	if c, err := icmp.ListenPacket(plain, ""); err == nil {
		return false, c.Close()
	}
	c, err := icmp.ListenPacket(privileged, "")
	if errors.Is(err, os.ErrPermission) {
		return true, ErrNotAllowed
	}
	if err != nil {
		return true, fmt.Errorf("cannot open an ICMP socket: %w", err)
	}
	return true, c.Close()
}

// run sends the probes of one poll and sorts the answers. The callbacks OnSend and OnRecv
// are called from one goroutine of the library, which has ended when it returns.
func run(ctx context.Context, to netip.Addr, c Config, raw bool) (outcome, error) {
	p := probing.New(to.String())
	p.SetIPAddr(&net.IPAddr{IP: to.AsSlice(), Zone: to.Zone()})
	p.SetPrivileged(raw)
	p.Count, p.Interval, p.Size = c.Count, c.Interval, c.Size
	p.Timeout = c.takes() + 10*time.Millisecond // the last probe has its whole wait
	p.RecordRtts, p.RecordTTLs = false, false
	t := track{wait: c.Wait, stop: p.Stop}
	p.OnSend, p.OnRecv = t.sent, t.answered
	p.OnSendError = func(_ *probing.Packet, err error) { t.fail(err) }
	p.OnRecvError = t.recvFailed
	p.SetLogger(&t)
	err := p.RunWithContext(ctx)
	if failed := t.failure.Load(); failed != nil {
		err = *failed
	}
	if ctx.Err() != nil && (errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)) {
		err = fmt.Errorf("the poll was cut off: %w", ctx.Err())
	}
	if err != nil {
		err = sortOut(err)
	}
	return t.outcome(time.Now()), err
}

// track follows the probes of one run on the monotonic clock; the library's own round
// trips come from the wall clock, which steps. It is also the library's logger.
type track struct {
	wait    time.Duration
	stop    func()
	at      []time.Time // when each probe left
	rtt     []time.Duration
	failure atomic.Pointer[error]
	denials int
}

func (t *track) sent(*probing.Packet) {
	t.at = append(t.at, time.Now())
	t.rtt = append(t.rtt, -1)
}

func (t *track) answered(p *probing.Packet) {
	if p.Seq < len(t.at) && t.rtt[p.Seq] < 0 {
		t.rtt[p.Seq] = time.Since(t.at[p.Seq])
	}
}

func (t *track) fail(err error) {
	t.failure.CompareAndSwap(nil, &err)
	t.stop()
}

// recvFailed is also called for each short wait without an answer, which is no failure.
func (t *track) recvFailed(err error) {
	var ne net.Error
	if errors.As(err, &ne) && ne.Timeout() || errors.Is(err, net.ErrClosed) {
		return
	}
	t.fail(err)
}

func (t *track) outcome(end time.Time) outcome {
	o := outcome{sent: len(t.at)}
	for i, r := range t.rtt {
		switch {
		case r >= 0:
			o.rtts = append(o.rtts, r)
		case end.Sub(t.at[i]) >= t.wait:
			o.lost++
		}
	}
	return o
}

// Infof is where the library says that it takes a refused address for a broadcast address
// and tries again, for ever and without looking at its context. Once is right for a
// broadcast address; the second time the host is prohibited, and the goroutine is ended
// from here because there is no other way to reach it.
func (t *track) Infof(format string, _ ...any) {
	if !strings.Contains(format, "broadcast") {
		return
	}
	if t.denials++; t.denials > 1 {
		t.fail(syscall.EACCES)
		runtime.Goexit()
	}
}

// Fatalf is told what the library only logs.
func (t *track) Fatalf(string, ...any) {}

// Errorf is told what the library only logs.
func (t *track) Errorf(string, ...any) {}

// Warnf is told what the library only logs.
func (t *track) Warnf(string, ...any) {}

// Debugf is told what the library only logs.
func (t *track) Debugf(string, ...any) {}
