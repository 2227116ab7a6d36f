package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
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
	"ebbwatch/cmd/internal/remotewrite"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/cmd/internal/web"
)

func runCommand() *cobra.Command {
	var file, webConfig string
	cmd := &cobra.Command{
		Use:   "run [--config FILE]",
		Short: "Watch a node: the daemon",
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := loadOrSay(cmd.ErrOrStderr(), file, config.All())
			if err != nil {
				return err
			}
			return daemonRun(cmd.Context(), c, webConfig, cmd.ErrOrStderr())
		},
	}
	configFlag(cmd, &file)
	takesFile(cmd, &file)
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
	for _, d := range c.Doubts {
		log.Warn(d.String())
	}
	tasks := daemon.NewTasks(ctx)
	defer tasks.Close() // what is open where the start fails
	store, err := statedir.OpenOrWait(c.State)
	if err != nil {
		return err
	}
	tasks.OnStop("the state folder", time.Second, func(context.Context) error { return store.Close() })
	h := history.Open(historyOptions(c, log))
	tasks.OnStop("the history", 1500*time.Millisecond, h.Close) // a card that hangs must not hold the stop up
	o := options(c, log, ring)
	if empty, err := h.Empty(ctx); err == nil {
		o.Recorded = !empty
	}
	d := service{options: o, listen: c.Web.Listen, names: c.Web.Names, webConfig: webConfig, state: c.State, history: h, sent: c.sent}
	d.started = func(address string) {
		log.Info("watching "+c.Site.Name, "page", "http://"+address+"/", "sources", len(c.Sources), "state", c.State)
	}
	var sending *remotewrite.Writer
	d.tasks, sending = backgroundTasks(c, store, h, log)
	self := newOwn(c)
	d.options.Store, d.options.Extras, d.options.Noticed = store, self.with(h, sending), notes(h)
	d.options.Troubles = troubles(h.Problem, self.troubles, func() string {
		if sending == nil {
			return ""
		}
		return sending.Stats().Problem
	})
	if err := seed(ctx, h, &d.past, o.Clock()); err != nil {
		log.Warn("the chart begins now: the history cannot be read", "err", err)
	}
	return d.serve(tasks)
}

// service is the loop with the web server beside it.
type service struct {
	options   daemon.Options
	listen    string
	webConfig string
	names     []string // under which the page is known, beside those that every one has
	state     string   // the folder; empty: commands are not answered there
	started   func(address string)
	history   *history.Store // nil: nothing is recorded
	tasks     []task         // what else runs
	past      web.Past
	sent      *cost.Sent // nil: what the page sends is not counted
}

// partsLimit is how long the parts have to end: with what is closed after them a stop is over
// within 6 s; our unit allows 20.
const partsLimit = 3 * time.Second

// serve runs the loop and the web server until the context ends or one of them fails. The
// address is taken first: a port that is in use should stop the start, not the watch.
func (d *service) serve(tasks *daemon.Tasks) error {
	ctx := tasks.Context()
	l, err := web.Listen(ctx, d.listen)
	if err != nil {
		return err
	}
	if d.sent != nil {
		l = d.sent.Listener(l)
	}
	d.options.Progress = d.progress(ctx)
	loop := daemon.NewLoop(d.options)
	d.started(shown(l.Addr()))
	for _, t := range d.tasks {
		tasks.Go(t.name, func(ctx context.Context) error { t.run(ctx, loop); return nil })
	}
	tasks.Go("the loop", loop.Run)
	o := web.Options{Snapshot: loop.Snapshot, Past: d.past.Points}
	if d.history != nil {
		o.History = d.history
	}
	page := web.New(o)
	tasks.Go("the page", func(ctx context.Context) error {
		return web.Server{Handler: page, ConfigFile: d.webConfig, Hosts: web.Hosts(d.names)}.Serve(ctx, l)
	})
	if d.state != "" {
		tasks.Go("the local socket", func(ctx context.Context) error { d.serveLocal(ctx, page); return nil })
	}
	return tasks.Wait(func() { notify(d.options.Log, systemd.SdNotifyStopping) }, partsLimit)
}

// serveLocal answers commands on the same machine. Without it they ask at the page's address.
func (d *service) serveLocal(ctx context.Context, page http.Handler) {
	l, err := daemon.ListenLocal(d.state)
	if err == nil {
		err = web.Server{Handler: page}.Serve(ctx, l)
	}
	if err != nil {
		d.options.Log.Debug("commands cannot ask through the state folder", "err", err)
	}
}

// progress is called by the loop after each step, so a loop that hangs starves the watchdog.
// It records, tells systemd that the daemon is ready once every part is, or was waited for long
// enough, and feeds its watchdog.
func (d *service) progress(ctx context.Context) func(*facts.Snapshot) {
	tell := tellSystemd()
	keep := func(context.Context, *facts.Snapshot) {}
	if d.history != nil {
		keep = history.NewRecorder(d.history, d.options.Log).Keep
	}
	return func(s *facts.Snapshot) {
		d.past.Add(s)
		keep(ctx, s)
		tell(s.Ready)
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

// task is a part that runs beside the loop and that it never waits for.
type task struct {
	name string
	run  func(context.Context, *daemon.Loop)
}

// isInUse tells whether an address could not be taken because another program has it.
func isInUse(err error) bool { return errors.Is(err, syscall.EADDRINUSE) }

// readyLimit is how long a part that does not answer is waited for before systemd is told that the
// daemon is ready: one instrument that hangs must not have all others started again for ever.
const readyLimit = time.Minute

// tellSystemd gives the function that says how the daemon does.
func tellSystemd() func(ready bool) {
	interval, err := systemd.SdWatchdogEnabled(false)
	if err != nil {
		interval = 0
	}
	// Not under systemd there is nothing to tell.
	return teller(readyLimit, interval, func(state string) { _, _ = systemd.SdNotify(false, state) })
}

// teller tells once that all is ready, or was waited for long enough, and feeds a watchdog, where
// there is one, while it is called.
func teller(limit, watchdog time.Duration, tell func(state string)) func(ready bool) {
	var said bool
	var fed time.Time
	began := time.Now()
	return func(ready bool) {
		if !said && (ready || time.Since(began) >= limit) {
			said = true
			tell(systemd.SdNotifyReady)
		}
		if watchdog > 0 && time.Since(fed) > watchdog/4 {
			fed = time.Now()
			tell(systemd.SdNotifyWatchdog)
		}
	}
}

func notify(log *slog.Logger, state string) {
	if _, err := systemd.SdNotify(false, state); err != nil {
		log.Debug("systemd was not told", "err", err)
	}
}
