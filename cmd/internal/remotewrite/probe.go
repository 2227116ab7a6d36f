package remotewrite

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
	"unicode"
)

// probe counts what is sent and remembers the last answer.
type probe struct {
	next   http.RoundTripper
	bearer func() (string, error) // gives nothing where there is no token
	bytes  atomic.Int64
	last   answer
}

// answer is what came back; status 0: nothing did.
type answer struct {
	status int
	page   bool   // it is a page for people: the answer of a log-in page or a proxy, not of a receiver
	why    string // its first line
	err    error  // of the connection; it names the host alone
}

// maxAnswer bounds what is read of an answer: only its beginning is of use.
const maxAnswer = 4 << 10

// RoundTrip sends one request.
func (p *probe) RoundTrip(r *http.Request) (*http.Response, error) {
	r = r.Clone(r.Context())
	token, err := p.bearer()
	if err != nil {
		p.last = answer{err: err}
		return nil, err
	}
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	r.Header.Set("User-Agent", "ebbwatch")
	p.bytes.Add(max(0, r.ContentLength))
	p.last = answer{}
	resp, err := p.next.RoundTrip(r)
	if err != nil {
		p.last.err = err
		return nil, err
	}
	body := bufio.NewReaderSize(io.LimitReader(resp.Body, maxAnswer), maxAnswer)
	begin, _ := body.Peek(200) // what there is of it will do
	p.last = answer{status: resp.StatusCode, page: isPage(resp.Header.Get("Content-Type"), string(begin)), why: firstLine(string(begin))}
	resp.Body = limited{body, resp.Body}
	return resp, nil
}

type limited struct {
	io.Reader
	io.Closer
}

// isPage tells an answer that is made for people. Receivers answer with nothing, or with a line of
// plain text.
func isPage(kind, begin string) bool {
	return strings.Contains(kind, "html") || strings.HasPrefix(strings.TrimSpace(begin), "<")
}

// firstLine is what can be shown of a text that others wrote.
func firstLine(text string) string {
	line, _, _ := strings.Cut(strings.TrimSpace(text), "\n")
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return -1
	}, line)
}

// Reasons why samples stay where they are.
var (
	errPage    = errors.New("it answers with a page: a log-in page or a proxy stands between")
	errRefused = errors.New("it refuses samples")
)

// verdict says what the last answer means for what was sent: nil, errRefused, or why it must be
// sent again. No error shows the address, which may hold a secret.
func (p *probe) verdict(err error) error {
	a := p.last
	switch {
	case a.status == 0 && errors.Is(a.err, context.DeadlineExceeded):
		return errors.New("no answer in time")
	case a.status == 0 && a.err != nil:
		return a.err
	case a.status/100 == 2 && a.page:
		return errPage
	case a.status/100 == 2:
		return err // that nothing was written
	}
	text := fmt.Errorf("it answers %d %s", a.status, http.StatusText(a.status))
	if a.why != "" && !a.page {
		text = fmt.Errorf("%w: %s", text, a.why)
	}
	switch a.status {
	case http.StatusBadRequest, http.StatusUnprocessableEntity, http.StatusRequestEntityTooLarge:
		return fmt.Errorf("%w: %w", errRefused, text)
	}
	return text
}

// knowsNot2 tells whether the answer to a message of 2.0 may be that of a server that knows 1.0
// only: it refuses the kind of message, cannot read it, or says that all is well without having
// written anything.
func (p *probe) knowsNot2() bool {
	s := p.last.status
	return s == http.StatusUnsupportedMediaType || s == http.StatusBadRequest || s/100 == 2 && !p.last.page
}
