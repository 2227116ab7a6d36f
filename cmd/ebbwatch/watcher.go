package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/heartbeat"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/cmd/internal/watcher"
	"ebbwatch/cmd/internal/web"
)

func watchCommand() *cobra.Command {
	var file, webConfig string
	var check, sendTests, sample bool
	cmd := &cobra.Command{
		Use:   "watch [--config FILE]",
		Short: "Watch nodes from home and judge their silence: the daemon beside the router",
		Long: `Asks each node how it is, by echo, its page and its metrics, and remembers what it last said
of its own future. When one falls silent: is it dark as it said, late to return, without power,
cut off, broken, or is it the house? With the evidence for and against, and what to bring.
Its configuration is a file of its own: site, nodes, house, dashboard, notify, web, state.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if sample {
				fmt.Fprint(cmd.OutOrStdout(), watcher.Sample())
				return nil
			}
			c, err := loadHome(cmd.ErrOrStderr(), file)
			if err != nil {
				return err
			}
			if check || sendTests {
				return tellHome(cmd, file, c, sendTests)
			}
			return watchHome(cmd.Context(), c, webConfig, newLogger(cmd.ErrOrStderr(), &logRing{}))
		},
	}
	cmd.Flags().StringVar(&file, "config", "/etc/ebbwatch/home.yaml", "configuration file of the watcher (YAML)")
	takesFile(cmd, &file)
	cmd.Flags().StringVar(&webConfig, "web.config.file", "", "TLS and passwords for the page (exporter toolkit format)")
	cmd.Flags().BoolVar(&check, "check", false, "check the configuration and tell every problem at once, and end")
	cmd.Flags().BoolVar(&sendTests, "send-test", false, "check the configuration, send a test notice through every channel, and end")
	cmd.Flags().BoolVar(&sample, "sample", false, "print an annotated configuration, and end")
	return cmd
}

// tellHome tells what a watcher's configuration comes to.
func tellHome(cmd *cobra.Command, file string, c *watcher.Config, sendTests bool) error {
	fmt.Fprintf(cmd.OutOrStdout(), "%s is fine: the watcher at %s, %s, %s to notify\n", file, c.Site.Name,
		count(len(c.Nodes), "node"), count(len(c.Notify), "channel"))
	tellUnready(cmd, c.State, unready(c.Notify, nil, c.Heartbeat))
	if sendTests {
		return sendTest(cmd.Context(), cmd.OutOrStdout(), c.Site.Name, c.Notify)
	}
	return nil
}

// loadHome reads the configuration of a watcher; its problems are printed, one a line.
func loadHome(w io.Writer, file string) (*watcher.Config, error) {
	c, problems := watcher.Load(file, channelKinds())
	for _, p := range problems {
		fmt.Fprintln(w, p)
	}
	if len(problems) > 0 {
		return nil, fmt.Errorf("cannot use %s: %s", file, count(len(problems), "problem"))
	}
	return c, nil
}

// watchHome is the watcher from start to end.
func watchHome(ctx context.Context, c *watcher.Config, webConfig string, log *slog.Logger) error {
	if err := web.Check(webConfig); err != nil {
		return err
	}
	tasks := daemon.NewTasks(ctx)
	defer tasks.Close() // what is open where the start fails
	store, err := statedir.OpenOrWait(c.State)
	if err != nil {
		return err
	}
	tasks.OnStop("the state folder", time.Second, func(context.Context) error { return store.Close() })
	l, err := web.Listen(ctx, c.Web.Listen)
	if err != nil {
		return err
	}
	w := watcher.New(watcher.Options{Config: c, Store: store, Log: log, Progress: tellSystemd()})
	log.Info("watching from "+c.Site.Name, "page", "http://"+shown(l.Addr())+"/", "nodes", len(c.Nodes), "state", c.State)
	if c.Heartbeat != nil {
		tasks.Go("the heartbeat", func(ctx context.Context) error { heartbeat.New(*c.Heartbeat, log).Run(ctx, w.Snapshot); return nil })
	}
	tasks.Go("the watch", w.Run)
	tasks.Go("the page", func(ctx context.Context) error {
		return web.Server{Handler: w.Handler(), ConfigFile: webConfig, Log: log}.Serve(ctx, l)
	})
	return tasks.Wait(func() { notify(log, systemd.SdNotifyStopping) }, partsLimit)
}
