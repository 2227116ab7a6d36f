package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"runtime/debug"
	"syscall"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/cost"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/cmd/internal/web"
)

func runCommand() *cobra.Command {
	var file, webConfig string
	cmd := &cobra.Command{
		Use:   "run [--config FILE]",
		Short: "Watch a node: the daemon",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := loadOrSay(cmd.ErrOrStderr(), file, config.All())
			if err != nil {
				return err
			}
			return daemonRun(cmd.Context(), c, webConfig, cmd.ErrOrStderr())
		},
	}
	configFlag(cmd, &file)
	cmd.Flags().StringVar(&webConfig, "web.config.file", "", "TLS and passwords for the page (exporter toolkit format)")
	return cmd
}

// loadOrSay reads the configuration; its problems are printed, one a line.
func loadOrSay(w io.Writer, file string, need config.Need) (loaded, error) {
	c, problems := load(file, need)
	for _, p := range problems {
		fmt.Fprintln(w, p)
	}
	if len(problems) > 0 {
		return loaded{}, fmt.Errorf("cannot use %s: %s", file, count(len(problems), "problem"))
	}
	return c, nil
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// thrifty has memory collected sooner than is usual: a small board has more idle time than
// memory. Who sets GOGC decides otherwise.
func thrifty() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(40)
	}
}

// daemonRun is the daemon from start to end.
func daemonRun(ctx context.Context, c loaded, webConfig string, stderr io.Writer) error {
	thrifty()
	ring := &logRing{}
	log := newLogger(stderr, ring)
	if err := web.Check(webConfig); err != nil {
		return err
	}
	store, err := statedir.Open(c.State)
	if err != nil {
		return err
	}
	defer store.Close()
	o := options(c, log, ring)
	o.Store, o.Extras = store, ownExtras(c.State, c.sentBytes)
	h := openHistory(c, log)
	d := service{options: o, listen: c.Web.Listen, webConfig: webConfig, history: h, sent: c.sent}
	d.started = func(address string) {
		log.Info("watching "+c.Site.Name, "page", "http://"+address+"/", "sources", len(c.Sources), "state", c.State)
	}
	var writing func() string
	if d.beside, writing, err = backgroundTasks(c, store, h, log); err != nil {
		return err
	}
	d.options.Troubles, d.options.Noticed = troubles(h.Problem, writing), notes(h)
	if err := seed(ctx, h, &d.past, o.Clock()); err != nil {
		log.Warn("the chart begins now: the history cannot be read", "err", err)
	}
	return errors.Join(d.serve(ctx), closeHistory(h))
}

// closeHistory writes what waits; a card that hangs must not hold the stop up.
func closeHistory(h *history.Store) error {
	ctx, cancel := context.WithTimeout(context.Background(), 1500*time.Millisecond)
	defer cancel()
	return h.Close(ctx)
}

// service is the loop with the web server beside it.
type service struct {
	options   daemon.Options
	listen    string
	webConfig string
	started   func(address string)
	history   *history.Store                        // nil: nothing is recorded
	beside    []func(context.Context, *daemon.Loop) // what else runs
	past      web.Past
	sent      *cost.Sent // nil: what the page sends is not counted
}

// serve runs the loop and the web server until the context ends or one of them fails. The
// address is taken first: a port that is in use should stop the start, not the watch.
func (d *service) serve(ctx context.Context) error {
	l, err := web.Listen(ctx, d.listen)
	if err != nil {
		return err
	}
	if d.sent != nil {
		l = d.sent.Listener(l)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	d.options.Progress = d.progress(ctx)
	loop := daemon.NewLoop(d.options)
	d.started(shown(l.Addr()))
	for _, part := range d.beside {
		go part(ctx, loop)
	}
	errs := make(chan error, 2)
	go func() { errs <- loop.Run(ctx) }()
	go func() {
		o := web.Options{Snapshot: loop.Snapshot, Past: d.past.Points}
		if d.history != nil {
			o.History = d.history
		}
		errs <- web.Server{Handler: web.New(o), ConfigFile: d.webConfig}.Serve(ctx, l)
	}()
	first := <-errs
	cancel()
	return errors.Join(first, waitFor(errs, 3*time.Second, d.options.Log))
}

// progress is called by the loop after each step, so a loop that hangs starves the watchdog.
// It records, tells systemd that the daemon is ready once every part is, and feeds its
// watchdog.
func (d *service) progress(ctx context.Context) func(*facts.Snapshot) {
	tell := tellSystemd()
	keep := func(*facts.Snapshot) {}
	if d.history != nil {
		r := history.NewRecorder(d.history, d.options.Log)
		keep = func(s *facts.Snapshot) { r.Keep(ctx, s) }
	}
	return func(s *facts.Snapshot) {
		d.past.Add(s)
		keep(s)
		tell(s.Ready)
	}
}

// waitFor gives the second part its time to end, and no more: a stop is over within 5 s.
func waitFor(errs <-chan error, limit time.Duration, log *slog.Logger) error {
	notify(log, systemd.SdNotifyStopping)
	select {
	case err := <-errs:
		return err
	case <-time.After(limit):
		return fmt.Errorf("cannot stop cleanly: a part did not end within %s", limit)
	}
}

// shown is an address that a browser can open.
func shown(a net.Addr) string {
	host, port, err := net.SplitHostPort(a.String())
	if err != nil {
		return a.String()
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port)
}

// isInUse tells whether an address could not be taken because another program has it.
func isInUse(err error) bool { return errors.Is(err, syscall.EADDRINUSE) }

// tellSystemd gives the function that says how the daemon does.
func tellSystemd() func(ready bool) {
	var said bool
	var fed time.Time
	interval, err := systemd.SdWatchdogEnabled(false)
	watched := err == nil && interval > 0
	return func(ready bool) {
		if !said && ready {
			said = true
			_, _ = systemd.SdNotify(false, systemd.SdNotifyReady) // not under systemd: nothing to tell
		}
		if watched && time.Since(fed) > interval/4 {
			fed = time.Now()
			_, _ = systemd.SdNotify(false, systemd.SdNotifyWatchdog)
		}
	}
}

func notify(log *slog.Logger, state string) {
	if _, err := systemd.SdNotify(false, state); err != nil {
		log.Debug("systemd was not told", "err", err)
	}
}
