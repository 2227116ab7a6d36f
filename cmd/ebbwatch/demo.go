package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/alert/sender"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector/sim"
)

// demoFlags choose a demonstration.
type demoFlags struct {
	speed  float64
	listen string
	wire   string
	scene  string
}

func demoCommand() *cobra.Command {
	var f demoFlags
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Watch a simulated node live through a grey spell; nothing to install",
		Long: `A simulated relay of a rowing club, with panel, controller, battery and loads, answers on a
real Modbus wire. ebbwatch reads it as it would read yours, a day in a minute. After a fair day
the sky turns grey: a warning comes before the battery is low, and clears when the sun is back.
Ctrl-C ends it and leaves nothing behind.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return f.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	cmd.Flags().Float64Var(&f.speed, "speed", sim.DefaultSpeed, "how many times faster than life; 1440 is a day in a minute")
	cmd.Flags().StringVar(&f.scene, "scene", "", "what happens: "+sceneNames())
	cmd.Flags().StringVar(&f.listen, "listen", "", "address of the page (default 127.0.0.1:9777, or any free port)")
	cmd.Flags().StringVar(&f.wire, "wire", "", "rtu (a serial line) or tcp; by default a serial line where the system has pseudo terminals")
	return cmd
}

func sceneNames() string {
	var names []string
	for _, c := range sim.Scenes() {
		names = append(names, c.Name)
	}
	return strings.Join(names, ", ")
}

func (f demoFlags) run(ctx context.Context, stdout, stderr io.Writer) (err error) {
	if f.wire != "" && f.wire != "rtu" && f.wire != "tcp" {
		return misused("cannot use --wire %q: it must be rtu or tcp", f.wire)
	}
	if !(f.speed > 0) || f.speed > 1e6 {
		return misused("cannot use --speed %g: it must be above 0, at most a million", f.speed)
	}
	if f.scene != "" && !slices.Contains(strings.Split(sceneNames(), ", "), f.scene) {
		return misused("cannot show --scene %q: there are %s", f.scene, sceneNames())
	}
	if _, _, err := net.SplitHostPort(f.address()); err != nil {
		return misused("cannot use --listen %q: give an address and port such as 127.0.0.1:9777", f.listen)
	}
	folder, err := os.MkdirTemp("", "ebbwatch-demo-")
	if err != nil {
		return fmt.Errorf("cannot make a folder for the demonstration: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	site, err := sim.NewDemo(sim.DemoOptions{Speed: f.speed, Scene: f.scene})
	if err != nil {
		return err
	}
	defer site.Close()
	if f.wire == "rtu" && site.NoRTU != nil {
		return site.NoRTU
	}
	file := filepath.Join(folder, "ebbwatch.yaml")
	if err := f.config(site, file, f.address()); err != nil {
		return err
	}
	c, err := loadOrSay(stderr, file, config.All())
	if err != nil {
		return err
	}
	store, err := statedir.Open(c.State)
	if err != nil {
		return err
	}
	defer store.Close()
	ring := &logRing{clock: func() time.Time { return site.Now().Wall }}
	o := demoOptions(c, site, stdout, ring)
	o.Store = store
	d := service{options: o, listen: f.address(), history: demoHistory(c)}
	d.options.Noticed = notes(d.history)
	defer func() { err = errors.Join(err, d.history.Close(context.WithoutCancel(ctx))) }()
	d.started = func(address string) {
		_ = f.config(site, file, address) // written once before; the address may be another than was wished
		greet(stdout, site, address, file)
	}
	return f.live(ctx, site, &d)
}

// config writes the map and the configuration as an owner would.
func (f demoFlags) config(site *sim.Demo, file, address string) error {
	folder := filepath.Dir(file)
	mapFile := filepath.Join(folder, "charger-map.yaml")
	text := site.Config(mapFile, f.wire != "tcp" && site.NoRTU == nil)
	text += fmt.Sprintf("notify: []\nweb: {listen: %q}\nstate: %q\n", address, filepath.Join(folder, "state"))
	err := errors.Join(os.WriteFile(mapFile, site.Map, 0o600), os.WriteFile(file, []byte(text), 0o600))
	if err != nil {
		return fmt.Errorf("cannot write the configuration of the demonstration: %w", err)
	}
	return nil
}

// demoHistory keeps the record of the demonstration, so that what looks back can be tried on it.
// Its clock is the site's and no board's.
func demoHistory(c loaded) *history.Store {
	return history.Open(history.Options{Path: filepath.Join(c.State, historyFile), Peers: sim.PathNames()})
}

func (f demoFlags) address() string {
	if f.listen != "" {
		return f.listen
	}
	return "127.0.0.1:9777"
}

// demoOptions are those of a real node, but for the clock, the paths and the terminal as
// the channel.
func demoOptions(c loaded, site *sim.Demo, stdout io.Writer, ring *logRing) daemon.Options {
	o := options(c, newLogger(io.Discard, ring), ring)
	o.Speed, o.Tick = site.Speed, 5*time.Minute
	o.Clock = site.Now
	o.Plan.Boot = "" // the board's clock is not the site's
	const every = 10 * time.Minute
	for i, s := range o.Sources { // its time waits for the wire
		o.Sources[i].Source = site.Waited(s.Source, s.Every)
	}
	o.Sources = append(o.Sources, daemon.LiveSource{Name: "path", Every: every, Source: site.Waited(site.Paths(), every)})
	o.Plan.Sources = append(o.Plan.Sources, core.SourcePlan{Name: "path", Kind: "ping", Every: every, Peers: sim.PathNames()})
	instances := o.Plan.Engine.Instances
	instances["source"] = append(instances["source"], "path")
	instances["peer"] = append(instances["peer"], sim.PathNames()...)
	screen := &terminal{w: stdout, zone: c.Site.Zone}
	o.Channels = []sender.Channel{{Channel: outbox.Channel{Name: "terminal", Least: alert.Info}, Sender: screen}} // notes too: it is a tour
	return o
}

// live runs the site and the daemon until the context ends.
func (f demoFlags) live(ctx context.Context, site *sim.Demo, d *service) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- site.Run(ctx) }()
	err := d.serve(daemon.NewTasks(ctx))
	if f.listen == "" && isInUse(err) {
		d.listen = "127.0.0.1:0"
		err = d.serve(daemon.NewTasks(ctx))
	}
	cancel()
	return errors.Join(err, <-done)
}

func greet(w io.Writer, site *sim.Demo, address, config string) {
	wire := "Modbus TCP at " + site.TCP
	if site.NoRTU == nil {
		wire = "Modbus RTU on " + site.RTU + " (and TCP at " + site.TCP + ")"
	}
	fmt.Fprintf(w, `The relay %q wakes on a fair day in October. One day takes %s.
wire  %s
page  http://%s/
%[8]s
Ctrl-C ends it. Another --scene shows something else: %[9]s.
While it runs, from another terminal:
  ebbwatch status --url http://%[4]s
  ebbwatch report --config %[5]s --from %[6]s --to %[7]s
  ebbwatch history export --config %[5]s
  ebbwatch backtest --config %[5]s

`, site.Spec.Name, site.Real(24*time.Hour).Round(time.Second), wire, address, config,
		sim.DemoStart().Format(time.DateOnly), sim.DemoStart().AddDate(0, 0, 14).Format(time.DateOnly), site.Scene.Says, sceneNames())
}

// terminal is the channel of the demonstration: it prints.
type terminal struct {
	mu   sync.Mutex
	w    io.Writer
	zone *time.Location
}

// Send prints a notice.
func (t *terminal) Send(_ context.Context, n alert.Notice) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	fmt.Fprintf(t.w, "%s  %s (%s): %s\n", n.At.In(t.zone).Format("Mon 2 Jan 15:04"), n.Phase, n.Severity, n.Title)
	for _, line := range append(strings.Split(strings.TrimSpace(n.Text), "\n"), n.Advice...) {
		fmt.Fprintf(t.w, "    %s\n", line)
	}
	return nil
}
