package ping

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// What keeps a host from being probed. Errors of a poll wrap one of them.
var (
	ErrNotAllowed  = errors.New("this process may not send ICMP echo: put one of its groups into net.ipv4.ping_group_range, or give it CAP_NET_RAW")
	ErrProhibited  = errors.New("a route or firewall prohibits it")
	ErrUnreachable = errors.New("it cannot be reached")
	ErrUnresolved  = errors.New("name does not resolve")
)

// maxHosts keeps the wake-ups of a poll within what a small board can give.
const maxHosts = 64

// maxPoll is the longest that a poll may be set to take; a poll is cut off at 30 s.
const maxPoll = 25 * time.Second

// Config is the section ping of a source.
type Config struct {
	Hosts    map[string]string `yaml:"hosts" need:"true" doc:"each host's name at this site, and its address or DNS name"`
	Count    int               `yaml:"count" default:"5" range:"1..50" doc:"probes sent to each host in a poll"`
	Interval time.Duration     `yaml:"interval" default:"500ms" range:"20ms..10s" doc:"between two probes of one host"`
	Wait     time.Duration     `yaml:"wait" default:"2s" range:"50ms..20s" doc:"how long an answer may take"`
	Size     int               `yaml:"size" default:"56" range:"24..1400" doc:"payload of a probe, bytes"`
	Window   int               `yaml:"window" default:"10" range:"1..200" doc:"polls that loss, round trip and jitter are taken over"`
}

// Check reports what the tags cannot say.
func (c *Config) Check(problem func(key, what string)) {
	if len(c.Hosts) == 0 {
		problem("hosts", "names no host")
	}
	if len(c.Hosts) > maxHosts {
		problem("hosts", fmt.Sprintf("%d hosts, at most %d: use several sources", len(c.Hosts), maxHosts))
	}
	for _, name := range slices.Sorted(maps.Keys(c.Hosts)) {
		if what := badHost(name, c.Hosts[name]); what != "" {
			problem("hosts", what)
		}
	}
	if t := c.takes(); t > maxPoll {
		problem("count", fmt.Sprintf("a poll would take %v (count, interval and wait), at most %v", t, maxPoll))
	}
}

// takes is how long a poll lasts when a host stays silent.
func (c *Config) takes() time.Duration { return time.Duration(c.Count-1)*c.Interval + c.Wait }

func badHost(name, addr string) string {
	switch {
	case name == "":
		return "a host without a name"
	case strings.TrimSpace(addr) == "":
		return fmt.Sprintf("%s has no address", name)
	case strings.ContainsAny(addr, " /\t\n"):
		return fmt.Sprintf("%q of %s is neither an address nor a host name", addr, name)
	}
	if _, err := netip.ParseAddr(addr); err != nil {
		if _, _, err := net.SplitHostPort(addr); err == nil {
			return fmt.Sprintf("%q of %s has a port: echo has none", addr, name)
		}
	}
	return ""
}

// Kind is the way of measuring named ping.
func Kind() collector.Kind {
	return collector.NewKind("ping", "whether hosts answer, how quickly, and how much is lost (ICMP echo)",
		"ping: {hosts: {gate: 10.20.0.2, boathouse: 10.20.0.1}}\n",
		func(_ collector.Decoder, c Config) (collector.Source, error) {
			return newSource(c, echoer{}.probe, net.DefaultResolver.LookupNetIP), nil
		})
}

// prober sends the probes of one poll to one address.
type prober func(ctx context.Context, to netip.Addr, c Config) (outcome, error)

// outcome is what became of the probes of one poll. A probe is lost when its whole wait
// went by; one that was cut off earlier is neither answered nor lost.
type outcome struct {
	sent int
	lost int
	rtts []time.Duration // in the order they were sent
}

type source struct {
	config Config
	names  []string // sorted
	probe  prober
	book   *addressBook
	mu     sync.Mutex // held for a whole Read
	past   map[string]*window
	sent   atomic.Int64 // bytes, see SentBytes
}

func newSource(c Config, p prober, l lookup) *source {
	s := &source{config: c, probe: p, book: newAddressBook(l), past: map[string]*window{}}
	s.names = slices.Sorted(maps.Keys(c.Hosts))
	for _, name := range s.names {
		s.past[name] = &window{size: c.Window}
	}
	return s
}

// Peers lists the names of the hosts, in order.
func (s *source) Peers() []string { return slices.Clone(s.names) }

// echoHeader is the length of the header of an ICMP echo (RFC 792), bytes.
const echoHeader = 8

// SentBytes counts what was sent since the start, without the headers of IP.
func (s *source) SentBytes() int64 { return s.sent.Load() }

// Read probes all hosts at once. A host that could not be probed is not up and has neither
// loss nor round trip; a host that nothing may be sent to for want of rights has no values.
func (s *source) Read(ctx context.Context) ([]reading.Value, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	values := make([][]reading.Value, len(s.names))
	errs := make([]error, len(s.names))
	var wait sync.WaitGroup
	for i, name := range s.names {
		wait.Go(func() { values[i], errs[i] = s.one(ctx, name) })
	}
	wait.Wait()
	return slices.Concat(values...), join(errs)
}

// one polls one host.
func (s *source) one(ctx context.Context, name string) ([]reading.Value, error) {
	host := s.config.Hosts[name]
	to, warn := s.book.find(ctx, host)
	if !to.IsValid() {
		s.past[name].add(outcome{})
		return down(name, warn), explain(name, host, warn)
	}
	got, err := s.probe(ctx, to, s.config)
	s.sent.Add(int64(got.sent) * int64(s.config.Size+echoHeader))
	w := s.past[name]
	w.add(got)
	if err != nil {
		err = explain(name, describe(host, to), err)
	}
	if warn != nil {
		err = errors.Join(err, explain(name, host, warn))
	}
	if got.lost == 0 && len(got.rtts) == 0 {
		return down(name, err), err
	}
	return w.values(name, len(got.rtts) > 0), err
}

// down is what is known of a host that was not probed. Without the right to probe, or
// without the time to, nothing is known of the host.
func down(name string, err error) []reading.Value {
	if err == nil || errors.Is(err, ErrNotAllowed) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return nil
	}
	return []reading.Value{{Quantity: reading.PeerUp, Of: name}}
}

func explain(name, host string, err error) error {
	kind := collector.Port
	if errors.Is(err, context.DeadlineExceeded) {
		kind = collector.Timeout
	}
	return collector.Errorf(kind, "cannot ping %s (%s): %w", name, host, err)
}

func describe(host string, to netip.Addr) string {
	if host == to.String() {
		return host
	}
	return host + ", " + to.String()
}

// join drops repeats: fifty hosts without the right to ping are one message.
func join(errs []error) error {
	for _, err := range errs {
		if errors.Is(err, ErrNotAllowed) {
			return collector.Errorf(collector.Port, "cannot ping: %w", ErrNotAllowed)
		}
	}
	return errors.Join(errs...)
}
