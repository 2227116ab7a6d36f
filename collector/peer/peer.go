package peer

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/nodestate"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/regular"
	"ebbwatch/collector/webclient"
)

const (
	maxNodes = 64
	stuckFor = 5 * time.Minute // a node whose state has not moved for this long is stuck
)

// Config is the section peer of a source.
type Config struct {
	Nodes        map[string]Node `yaml:"nodes" need:"true" doc:"each node's name at this site, and the address of its page"`
	Timeout      time.Duration   `yaml:"timeout" default:"10s" range:"500ms..25s" doc:"how long an answer may take"`
	User         string          `yaml:"user" doc:"user name that the nodes want"`
	PasswordFile string          `yaml:"password_file" path:"true" doc:"file with the password that the nodes want"`
	CAFile       string          `yaml:"ca_file" path:"true" doc:"file with the certificates to trust besides the system's (PEM)"`
}

// Node is one other node.
type Node struct {
	Plain string `yaml:",value"`
	URL   string `yaml:"url" doc:"address of its page, such as http://10.20.0.1:9777"`
	Site  string `yaml:"site" doc:"what it calls itself, when that is not its name here"`
}

func (n Node) address() string { return n.URL + n.Plain } // one of them is empty

// Check reports what the tags cannot say.
func (c *Config) Check(problem func(key, what string)) {
	if len(c.Nodes) == 0 {
		problem("nodes", "names no node")
	}
	if len(c.Nodes) > maxNodes {
		problem("nodes", fmt.Sprintf("%d nodes, at most %d", len(c.Nodes), maxNodes))
	}
	if (c.User == "") != (c.PasswordFile == "") {
		problem("password_file", "user and password_file belong together")
	}
	for _, name := range slices.Sorted(maps.Keys(c.Nodes)) {
		if what := badAddress(c.Nodes[name].address()); what != "" {
			problem("nodes."+name, what)
		}
	}
}

func badAddress(text string) string {
	u, err := url.Parse(text)
	switch {
	case text == "":
		return "has no address"
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return "is no address such as http://10.20.0.1:9777"
	case u.User != nil:
		return "holds a password: use user and password_file"
	case u.RawQuery != "" || u.Fragment != "":
		return "is more than the address of a page"
	}
	return ""
}

// Kind is the way of measuring named peer.
func Kind() collector.Kind {
	return collector.NewKind("peer", "what other nodes that run ebbwatch say of themselves",
		"peer: {nodes: {boathouse: \"http://10.20.0.1:9777\"}}\n",
		func(d collector.Decoder, c Config) (collector.Source, error) {
			s, err := newSource(c)
			if err != nil {
				d.Problem("ca_file", "%v", err)
				return nil, err
			}
			return s, nil
		})
}

type source struct {
	config Config
	names  []string // sorted
	client *webclient.Client
	mu     sync.Mutex // held for a whole Read
	moved  map[string]movement
}

// movement is when a node's state last moved: the node's own stamp, and when we saw it.
type movement struct {
	stamp time.Time
	seen  time.Time
}

func newSource(c Config) (*source, error) {
	// A connection for each poll: the time to connect is then the round trip, and a node
	// that is asked once a minute need not keep one open.
	o := webclient.Options{Timeout: -1, Header: c.Timeout, Direct: true}
	if c.CAFile != "" {
		pool, err := regular.Certificates(c.CAFile)
		if err != nil {
			return nil, err
		}
		o.Trust = pool
	}
	return &source{config: c, names: slices.Sorted(maps.Keys(c.Nodes)), moved: map[string]movement{}, client: webclient.New(o)}, nil
}

// Peers lists the names of the nodes, in order.
func (s *source) Peers() []string { return slices.Clone(s.names) }

// DialWith has connections opened by a function that may count what goes out. It must be
// called before the first Read.
func (s *source) DialWith(dial webclient.Dial) { s.client.DialWith(dial) }

// Read asks all nodes at once.
func (s *source) Read(ctx context.Context) ([]reading.Value, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	password, err := s.password()
	if err != nil {
		return nil, err
	}
	answers, errs := make([]answer, len(s.names)), make([]error, len(s.names))
	var wait sync.WaitGroup
	for i, name := range s.names {
		wait.Go(func() { answers[i], errs[i] = s.ask(ctx, name, password) })
	}
	wait.Wait()
	if err := ctx.Err(); errors.Is(err, context.Canceled) {
		return nil, err
	}
	var values []reading.Value
	for i, name := range s.names {
		stuck := s.stuck(name, answers[i])
		values = append(values, answers[i].values(name, stuck == nil)...)
		if err := errors.Join(errs[i], stuck); err != nil {
			errs[i] = collector.Errorf(collector.KindOf(err), "cannot read %s (%s): %w", name, s.config.Nodes[name].address(), err)
		}
	}
	return values, errors.Join(errs...)
}

func (s *source) password() (string, error) {
	if s.config.PasswordFile == "" {
		return "", nil
	}
	text, err := regular.Read(s.config.PasswordFile)
	if err != nil {
		return "", collector.Errorf(collector.Other, "cannot read the password for the peers: %w", err)
	}
	return strings.TrimRight(string(text), "\r\n"), nil
}

// answer is what one node said.
type answer struct {
	up    bool
	rtt   time.Duration // to connect; negative when it was not measured
	soc   *float64
	stamp time.Time // by its own clock
}

func (a answer) values(name string, moving bool) []reading.Value {
	if !a.up {
		return []reading.Value{{Quantity: reading.PeerUp, Of: name}}
	}
	out := []reading.Value{{Quantity: reading.PeerUp, Of: name, X: 1}}
	if a.rtt >= 0 {
		out = append(out, reading.Value{Quantity: reading.PeerRTTSeconds, Of: name, X: a.rtt.Seconds()})
	}
	if a.soc != nil && moving {
		out = append(out, reading.Value{Quantity: reading.PeerSoC, Of: name, X: *a.soc})
	}
	return out
}

// stuck tells of a node that answers, and always the same: its page lives, its loop does
// not. The node's own stamps are compared with each other alone, for its clock may be off.
func (s *source) stuck(name string, a answer) error {
	last := s.moved[name]
	if a.stamp.IsZero() {
		return nil
	}
	if !a.stamp.Equal(last.stamp) {
		s.moved[name] = movement{a.stamp, time.Now()}
		return nil
	}
	if age := time.Since(last.seen); age >= stuckFor {
		return collector.Errorf(collector.Refused, "its state has not moved for %v", age.Round(time.Second))
	}
	return nil
}

// ask asks one node.
func (s *source) ask(ctx context.Context, name, password string) (answer, error) {
	ctx, cancel := context.WithTimeout(ctx, s.config.Timeout)
	defer cancel()
	dial := &stopwatch{began: map[string]time.Time{}, took: -1}
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{ConnectStart: dial.start, ConnectDone: dial.done})
	node := s.config.Nodes[name]
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(node.address(), "/")+nodestate.Path, nil)
	if err != nil {
		return answer{}, err
	}
	req.Header.Set("Accept", "application/json")
	if s.config.User != "" {
		req.SetBasicAuth(s.config.User, password)
	}
	resp, err := s.client.Do(req)
	if err != nil {
		return answer{}, transportError(err)
	}
	defer resp.Body.Close()
	a := answer{rtt: dial.time()}
	err = a.read(resp, name, node.Site)
	return a, err
}

// stopwatch takes the time to connect. A name with several addresses may be dialled at
// several at once, some of them after the first has answered.
type stopwatch struct {
	mu    sync.Mutex
	began map[string]time.Time
	took  time.Duration // of the first that connected; negative before
}

func (w *stopwatch) start(_, addr string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.began[addr] = time.Now()
}

func (w *stopwatch) done(_, addr string, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if err == nil && w.took < 0 {
		w.took = time.Since(w.began[addr])
	}
}

func (w *stopwatch) time() time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.took
}

// transportError drops the method and address that the client puts around an error, which
// ours names already.
func transportError(err error) error {
	var ue *url.Error
	if errors.As(err, &ue) {
		err = ue.Err
	}
	var ne net.Error
	if errors.As(err, &ne) && ne.Timeout() {
		return collector.Errorf(collector.Timeout, "no answer in time: %w", err)
	}
	return collector.Errorf(collector.Port, "%w", err)
}
