package remotewrite

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/exp/api/remote"

	"ebbwatch/alert/post"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/collector/webclient"
)

// History is where the samples come from; see package history.
type History interface {
	Columns() []string
	Unsent(ctx context.Context, receiver string, limit int) ([]history.Record, error)
	Sent(ctx context.Context, receiver string, seq int64) error
}

// Options says where to send and how fast.
type Options struct {
	Address func() (string, error) // all of it, such as http://10.20.0.1:9090/api/v1/write; asked each time
	Bearer  func() (string, error) // the token, asked each time; nil: none
	Labels  map[string]string      // of every series; job and instance are usual
	Client  *http.Client           // sends the requests; nil: the usual one
	Rate    int                    // bytes a second at most, compressed; 0: 20000
	Samples int                    // rows of the history in one request at most; 0: 100
	Every   time.Duration          // how often to look for news; 0: 30 s
	Log     *slog.Logger
}

// Backoff after a failure: doubled each time, between these.
const (
	minWait = time.Second
	maxWait = 5 * time.Minute
)

// Stats counts what was done since the start.
type Stats struct {
	Sent    int64         // samples acknowledged
	Refused int64         // samples that the server will not have
	Since   time.Duration // the last refusal, or the start
	Bytes   int64         // sent, compressed, the failed attempts included
	Problem string        // why nothing is getting through, for people; empty when it is
}

// Writer sends the history to one server.
type Writer struct {
	o          Options
	h          History
	address    string
	api        *remote.API
	client     http.Client
	probe      *probe
	series     []series
	message    remote.WriteMessageType
	speaks2    bool      // a message of 2.0 was taken
	downgraded time.Time // when 1.0 was last found to be all that is spoken
	limit      int
	sent       atomic.Int64
	refused    atomic.Int64
	refusedAt  atomic.Int64 // when one was last, ns since began
	began      time.Time
	problem    atomic.Pointer[string]
}

// New makes a writer. Nothing is read or sent before [Writer.Run].
func New(h History, o Options) *Writer {
	o.Rate, o.Samples, o.Every = cmp.Or(o.Rate, 20000), cmp.Or(o.Samples, 100), cmp.Or(o.Every, 30*time.Second)
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Bearer == nil {
		o.Bearer = func() (string, error) { return "", nil }
	}
	if o.Client == nil {
		o.Client = &webclient.New(webclient.Options{KeepAlive: true, Redirects: webclient.NotAtAll}).Client
	}
	w := &Writer{o: o, h: h, client: *o.Client, probe: &probe{next: o.Client.Transport, bearer: o.Bearer}, message: remote.WriteV2MessageType, limit: o.Samples, began: time.Now()}
	w.client.Transport = w.probe
	w.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	w.series = seriesOf(h.Columns(), o.Labels)
	return w
}

// ready sees to it that the server can be asked at the address that is given now.
func (w *Writer) ready() error {
	address, err := w.o.Address()
	if err != nil || w.api != nil && address == w.address {
		return err
	}
	if err := post.CheckAddress(address); err != nil {
		return fmt.Errorf("the address %w", err)
	}
	w.api, err = remote.NewAPI(address, remote.WithAPIPath(""), remote.WithAPIHTTPClient(&w.client), remote.WithAPINoRetryOnRateLimit(),
		remote.WithAPIBackoff(remote.BackoffConfig{Min: minWait, Max: maxWait, MaxRetries: 1}))
	if err != nil {
		return errors.New("the address cannot be used (not shown)")
	}
	w.address, w.message, w.speaks2 = address, remote.WriteV2MessageType, false
	return nil
}

// Stats tells what was done.
func (w *Writer) Stats() Stats {
	s := Stats{Sent: w.sent.Load(), Refused: w.refused.Load(), Bytes: w.probe.bytes.Load(), Since: time.Since(w.began) - time.Duration(w.refusedAt.Load())}
	if p := w.problem.Load(); p != nil {
		s.Problem = *p
	}
	return s
}

// receiver names the server in the history, without a password that the address may hold.
func (w *Writer) receiver() string {
	u, err := url.Parse(w.address)
	if err != nil {
		return "remote write"
	}
	return "remote write to " + u.Host + u.Path
}

// host is what may be shown of the address: a path or a query may hold a secret.
func (w *Writer) host() string {
	if u, err := url.Parse(w.address); err == nil && u.Host != "" {
		return u.Host
	}
	return "the server"
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
	if err := w.ready(); err != nil {
		return 0, fmt.Errorf("cannot send: %w", err)
	}
	records, err := w.h.Unsent(ctx, w.receiver(), w.limit)
	if err != nil || len(records) == 0 {
		return 0, err
	}
	lots := w.gather(records)
	if samples := count(lots); samples > 0 {
		refused, err := w.deliver(ctx, lots)
		if err != nil {
			return 0, fmt.Errorf("cannot send to %s: %w", w.host(), err)
		}
		w.sent.Add(int64(samples - refused))
		if refused > 0 {
			w.refused.Add(int64(refused))
			w.refusedAt.Store(int64(time.Since(w.began)))
		}
	}
	return len(records), w.h.Sent(ctx, w.receiver(), records[len(records)-1].Seq)
}
