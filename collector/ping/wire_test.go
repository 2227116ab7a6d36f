package ping

import (
	"context"
	"errors"
	"net/netip"
	"runtime"
	"testing"
	"time"

	probing "github.com/prometheus-community/pro-bing"

	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
)

// needEcho skips where this process may not ping at all; a build machine must be able to.
func needEcho(t *testing.T, to string) {
	t.Helper()
	if _, err := mode(netip.MustParseAddr(to)); err != nil {
		needtest.Need(t, "the right to send ICMP echo: "+err.Error(), false)
	}
}

func TestLoopback(t *testing.T) {
	t.Parallel()
	for _, addr := range []string{"127.0.0.1", "::1", "127.8.8.8"} {
		t.Run(addr, func(t *testing.T) {
			t.Parallel()
			needEcho(t, addr)
			src := newSource(testConfig(map[string]string{"self": addr}), echoer{}.probe, noLookup)
			v, err := src.Read(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			wantValue(t, v, reading.PeerUp, "self", 1)
			wantValue(t, v, reading.PeerLossRatio, "self", 0)
			rtt, known := value(v, reading.PeerRTTSeconds, "self")
			if p95, _ := value(v, reading.PeerRTTP95Seconds, "self"); !known || rtt <= 0 || rtt > p95 || p95 > 0.3 {
				t.Errorf("median %v s, p95 %v s", rtt, p95)
			}
		})
	}
}

func TestManyHostsAtOnce(t *testing.T) {
	t.Parallel()
	needEcho(t, "127.0.0.1")
	hosts := map[string]string{}
	for i := range 20 {
		a := netip.AddrFrom4([4]byte{127, 0, 7, byte(i + 1)})
		hosts[a.String()] = a.String()
	}
	before := runtime.NumGoroutine()
	src := newSource(testConfig(hosts), echoer{}.probe, noLookup)
	v, err := src.Read(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for name := range hosts {
		wantValue(t, v, reading.PeerUp, name, 1)
		wantValue(t, v, reading.PeerLossRatio, name, 0)
	}
	if after := runtime.NumGoroutine(); after > before+20 { // other tests run beside this one
		t.Errorf("%d goroutines before, %d after", before, after)
	}
}

// A poll that is cut off must not turn the probes on their way into losses.
func TestCutOffIsNotLoss(t *testing.T) {
	t.Parallel()
	needEcho(t, "127.0.0.1")
	c := testConfig(map[string]string{"self": "127.0.0.1"})
	c.Count, c.Interval, c.Wait = 50, 100*time.Millisecond, 10*time.Second
	ctx, cancel := context.WithTimeout(t.Context(), 250*time.Millisecond)
	defer cancel()
	v, err := newSource(c, echoer{}.probe, noLookup).Read(ctx)
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error %v", err)
	}
	wantValue(t, v, reading.PeerLossRatio, "self", 0)
	wantValue(t, v, reading.PeerUp, "self", 1)
}

func TestEndedContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	v, err := newSource(testConfig(map[string]string{"self": "127.0.0.1"}), echoer{}.probe, noLookup).Read(ctx)
	if len(v) != 0 || !errors.Is(err, context.Canceled) {
		t.Errorf("values %v, error %v", v, err)
	}
}

func TestTrackUsesTheMonotonicClock(t *testing.T) {
	t.Parallel()
	tr := &track{wait: time.Second, stop: func() {}}
	now := time.Now()
	tr.at = []time.Time{now.Add(-3 * time.Second), now.Add(-2 * time.Second), now.Add(-time.Millisecond)}
	tr.rtt = []time.Duration{time.Millisecond, -1, -1}
	o := tr.outcome(now)
	if o.lost != 1 || len(o.rtts) != 1 {
		t.Errorf("outcome %+v: want one answer, one loss, one still on its way", o)
	}
	// The library's own figure comes from the wall clock, here one that stepped by an hour.
	tr.answered(&probing.Packet{Seq: 2, Rtt: -time.Hour})
	if got := tr.rtt[2]; got < time.Millisecond || got > time.Minute {
		t.Errorf("round trip %v, want what went by on the monotonic clock", got)
	}
	tr.answered(&probing.Packet{Seq: 2, Rtt: time.Hour}) // a duplicate changes nothing
	tr.answered(&probing.Packet{Seq: 7})                 // and nor does what was never sent
	if len(tr.outcome(now).rtts) != 2 {
		t.Errorf("%d answers", len(tr.outcome(now).rtts))
	}
}
