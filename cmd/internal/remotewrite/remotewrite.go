// Package remotewrite sends the history to a server that takes Prometheus remote write, so
// that a dashboard has no gaps although the link was down for days. What the server has
// acknowledged is kept in the history itself; the rest follows in order, at a bounded
// rate, however long it takes. It speaks 2.0 where the server does, else 1.0.
//
// Source: the remote write specifications 1.0 and 2.0 of prometheus/docs, c105550a.
package remotewrite

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/exp/api/remote"

	"ebbwatch/cmd/internal/history"
)

// History is where the samples come from; see package history.
type History interface {
	Columns() []string
	Unsent(ctx context.Context, receiver string, limit int) ([]history.Record, error)
	Sent(ctx context.Context, receiver string, seq int64) error
}

// Options says where to send and how fast.
type Options struct {
	URL     string            // all of it, such as http://10.20.0.1:9090/api/v1/write
	Labels  map[string]string // of every series; job and instance are usual
	Bearer  func() (string, error)
	Client  *http.Client  // nil: one of its own, with a limit of 30 s
	Rate    int           // bytes a second at most, compressed; 0: 20000
	Samples int           // rows of the history in one request at most; 0: 100
	Every   time.Duration // how often to look for news; 0: 30 s
	Log     *slog.Logger
}

// Backoff after a failure: doubled each time, between these.
const (
	minWait = time.Second
	maxWait = 5 * time.Minute
)

// Stats counts what was done since the start.
type Stats struct {
	Sent    int64  // samples acknowledged
	Refused int64  // samples that the server will not have
	Bytes   int64  // sent, compressed, the failed attempts included
	Problem string // why nothing is getting through, for people; empty when it is
}

// Writer sends the history to one server.
type Writer struct {
	o       Options
	h       History
	api     *remote.API
	probe   *probe
	series  []series
	message remote.WriteMessageType
	limit   int
	sent    atomic.Int64
	refused atomic.Int64
	problem atomic.Pointer[string]
}

// New checks the options and makes a writer.
func New(h History, o Options) (*Writer, error) {
	u, err := url.Parse(o.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, errors.New("cannot send the history on: the URL must be such as http://10.20.0.1:9090/api/v1/write")
	}
	if o.Rate <= 0 {
		o.Rate = 20000
	}
	if o.Samples <= 0 {
		o.Samples = 100
	}
	if o.Every <= 0 {
		o.Every = 30 * time.Second
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	client := http.Client{Timeout: 30 * time.Second}
	if o.Client != nil {
		client = *o.Client
	}
	w := &Writer{o: o, h: h, probe: &probe{next: client.Transport, bearer: o.Bearer}, message: remote.WriteV2MessageType, limit: o.Samples}
	client.Transport = w.probe
	client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	w.api, err = remote.NewAPI(o.URL, remote.WithAPIPath(""), remote.WithAPIHTTPClient(&client), remote.WithAPINoRetryOnRateLimit(),
		remote.WithAPIBackoff(remote.BackoffConfig{Min: minWait, Max: maxWait, MaxRetries: 1}))
	if err != nil {
		return nil, fmt.Errorf("cannot send the history on: %w", err)
	}
	w.series = seriesOf(h.Columns(), o.Labels)
	return w, nil
}

// Stats tells what was done.
func (w *Writer) Stats() Stats {
	s := Stats{Sent: w.sent.Load(), Refused: w.refused.Load(), Bytes: w.probe.bytes.Load()}
	if p := w.problem.Load(); p != nil {
		s.Problem = *p
	}
	return s
}

// receiver names the server in the history, without a password that the URL may hold.
func (w *Writer) receiver() string {
	u, err := url.Parse(w.o.URL)
	if err != nil {
		return "remote write"
	}
	return "remote write to " + u.Host + u.Path
}

// Run sends until the context ends. It never gives up.
func (w *Writer) Run(ctx context.Context) {
	wait := minWait
	for ctx.Err() == nil {
		before := w.probe.bytes.Load()
		n, err := w.step(ctx)
		pause := time.Duration(w.probe.bytes.Load()-before) * time.Second / time.Duration(w.o.Rate)
		switch {
		case err != nil:
			w.report(ctx, err)
			pause, wait = max(pause, wait), min(2*wait, maxWait)
		case n == 0:
			pause, wait = w.o.Every, minWait
		default:
			w.report(ctx, nil)
			wait = minWait
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

// report tells of trouble once, and of its end.
func (w *Writer) report(ctx context.Context, err error) {
	was := w.problem.Load()
	switch {
	case err == nil && was != nil:
		w.o.Log.Info("remote write gets through again")
		w.problem.Store(nil)
	case err != nil && ctx.Err() == nil:
		text := "remote write: " + err.Error()
		if was == nil {
			w.o.Log.Warn("remote write does not get through; the history is kept and sent later", "err", err)
		}
		w.problem.Store(&text)
	}
}

// step sends the next rows and gives how many there were. An error means that they must be
// sent again.
func (w *Writer) step(ctx context.Context) (int, error) {
	records, err := w.h.Unsent(ctx, w.receiver(), w.limit)
	if err != nil || len(records) == 0 {
		return 0, err
	}
	lots := w.gather(records)
	samples := int64(count(lots))
	if samples > 0 {
		err = w.send(ctx, lots)
		if w.message == remote.WriteV2MessageType && err != nil && w.probe.speaksNo2() {
			w.message = remote.WriteV1MessageType
			err = w.send(ctx, lots)
		}
	}
	switch status := w.probe.last(); {
	case err == nil:
		w.sent.Add(samples)
		w.limit = w.o.Samples
	case status == http.StatusRequestEntityTooLarge && w.limit > 1:
		w.limit = max(1, len(records)/2)
		return 0, err
	case status == http.StatusBadRequest || status == http.StatusUnprocessableEntity || status == http.StatusRequestEntityTooLarge:
		// The server has read the samples and will not have them; asking again changes
		// nothing and would hold up all that follow.
		w.refused.Add(samples)
		w.o.Log.Warn("samples were refused and are left out", "samples", samples, "err", err)
	default:
		return 0, fmt.Errorf("cannot send to %s: %w", w.receiver(), err)
	}
	return len(records), w.h.Sent(ctx, w.receiver(), records[len(records)-1].Seq)
}

func (w *Writer) send(ctx context.Context, lots []lot) error {
	w.probe.forget()
	var message any = requestV2(lots)
	if w.message == remote.WriteV1MessageType {
		message = requestV1(lots)
	}
	_, err := w.api.Write(ctx, w.message, message)
	return err
}
