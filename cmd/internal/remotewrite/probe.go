package remotewrite

import (
	"fmt"
	"io"
	"net/http"
	"sync/atomic"
)

// probe counts what is sent and remembers the last answer.
type probe struct {
	next   http.RoundTripper
	bearer func() (string, error)
	bytes  atomic.Int64
	status atomic.Int64
}

// maxAnswer bounds what is read of an answer: only its beginning is of use.
const maxAnswer = 4 << 10

// RoundTrip sends one request.
func (p *probe) RoundTrip(r *http.Request) (*http.Response, error) {
	if p.bearer != nil {
		token, err := p.bearer()
		if err != nil {
			return nil, fmt.Errorf("cannot read the token: %w", err)
		}
		r = r.Clone(r.Context())
		r.Header.Set("Authorization", "Bearer "+token)
	}
	r.Header.Set("User-Agent", "ebbwatch")
	next := p.next
	if next == nil {
		next = http.DefaultTransport
	}
	p.bytes.Add(max(0, r.ContentLength))
	p.status.Store(0)
	resp, err := next.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	p.status.Store(int64(resp.StatusCode))
	resp.Body = limited{io.LimitReader(resp.Body, maxAnswer), resp.Body}
	return resp, nil
}

type limited struct {
	io.Reader
	io.Closer
}

func (p *probe) forget() { p.status.Store(0) }

// last is the status of the last answer; 0 when there was none.
func (p *probe) last() int { return int(p.status.Load()) }

// speaksNo2 tells whether the answer to a message of 2.0 is that of a server that knows
// 1.0 only: it refuses the kind of message, cannot read it, or says that all is well
// without having written anything.
func (p *probe) speaksNo2() bool {
	switch s := p.last(); {
	case s == http.StatusUnsupportedMediaType, s == http.StatusBadRequest, s/100 == 2:
		return true
	}
	return false
}
