package webclient

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"net/http"
	"time"
)

// Agent is the User-Agent of a request that has none of its own.
const Agent = "ebbwatch"

// MaxHeaders bounds the header of an answer, bytes: far more than any honest one.
const MaxHeaders = 64 << 10

// Dial opens a connection; see [net.Dialer].
type Dial = func(ctx context.Context, network, address string) (net.Conn, error)

// Redirects says what is done when an answer points elsewhere.
type Redirects uint8

// The ways to take a redirect. A request may carry a password, and a log-in page of a network
// is not the service that was meant: so the first is the usual one.
const (
	SameHost  Redirects = iota // followed where host, scheme and method stay the same
	NotAtAll                   // the answer that points elsewhere is the answer
	Followed                   // as a browser does; for public services that move
	maxHops   = 5
	handshake = 30 * time.Second // of TLS: slow over a lossy link
)

// Options are what a client needs beside the usual. The zero value asks each time over a
// connection of its own, through the proxy of the environment, for at most 30 s.
type Options struct {
	Timeout   time.Duration  // of a whole request; 30 s when zero, none when negative
	Header    time.Duration  // until the header of the answer; no limit of its own when zero
	Redirects Redirects      //
	Direct    bool           // by no proxy: what is asked is on our own network
	KeepAlive bool           // connections are kept for the next request
	Trust     *x509.CertPool // certificates in place of those of the system
}

// Client is an [http.Client] whose connections can be counted.
type Client struct {
	http.Client
	transport *http.Transport
}

// New makes a client.
func New(o Options) *Client {
	t := &http.Transport{
		DisableKeepAlives: !o.KeepAlive, IdleConnTimeout: 90 * time.Second, TLSHandshakeTimeout: handshake,
		ResponseHeaderTimeout: o.Header, MaxResponseHeaderBytes: MaxHeaders, ForceAttemptHTTP2: o.KeepAlive,
	}
	if !o.Direct {
		t.Proxy = http.ProxyFromEnvironment
	}
	if o.Trust != nil {
		t.TLSClientConfig = &tls.Config{RootCAs: o.Trust, MinVersion: tls.VersionTLS12}
	}
	switch {
	case o.Timeout == 0:
		o.Timeout = 30 * time.Second
	case o.Timeout < 0:
		o.Timeout = 0
	}
	return &Client{transport: t, Client: http.Client{Timeout: o.Timeout, Transport: named{t}, CheckRedirect: o.Redirects.check}}
}

// DialWith has connections opened by a function that may count what goes out. It must be
// called before anything is sent.
func (c *Client) DialWith(dial Dial) { c.transport.DialContext = dial }

// ErrElsewhere says that an answer pointed to another place, which was not followed.
var ErrElsewhere = errors.New("the answer points to another host or another method, which is not followed")

func (how Redirects) check(r *http.Request, via []*http.Request) error {
	first := via[0]
	switch {
	case how == NotAtAll:
		return http.ErrUseLastResponse
	case len(via) > maxHops:
		return errors.New("the answer points round in circles")
	case how == SameHost && (r.URL.Host != first.URL.Host || r.URL.Scheme != first.URL.Scheme || r.Method != first.Method):
		return ErrElsewhere
	}
	return nil
}

// named gives each request our name, so that whoever runs the other end knows who asks.
type named struct{ next http.RoundTripper }

// RoundTrip implements [http.RoundTripper].
func (n named) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Header.Get("User-Agent") == "" {
		r = r.Clone(r.Context())
		r.Header.Set("User-Agent", Agent)
	}
	return n.next.RoundTrip(r)
}
