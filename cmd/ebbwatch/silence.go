package main

import (
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/cmd/internal/watcher"
)

// silenceFlags are what the owner asks of a running daemon.
type silenceFlags struct {
	config, why, acknowledge string
	forTime                  time.Duration
	end, newBattery          bool
}

func silenceCommand() *cobra.Command {
	var f silenceFlags
	cmd := &cobra.Command{
		Use:   "silence --for 2h --why TEXT",
		Short: "Tell the running daemon that somebody works at the node, or saw an alarm",
		Long: `While somebody works at the node no notices are sent, and what is measured teaches nothing:
charging by hand must not look like sun. It ends by itself. The request is left in the state
folder; the daemon takes it within ten seconds. With the configuration of a watcher at home it
is the watcher that sends nothing.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			r, err := f.request()
			if err != nil {
				return err
			}
			site, state, err := addressee(cmd.ErrOrStderr(), f.config)
			if err != nil {
				return err
			}
			runs, err := statedir.InUse(state)
			if err != nil {
				return fmt.Errorf("cannot tell %s: %w: run this as the user of the daemon, such as with sudo", site, err)
			}
			if !runs {
				return fmt.Errorf("cannot tell %s: no daemon runs on %s", site, state)
			}
			if err := statedir.Leave(state, r); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s is told; it acts within ten seconds, and logs what it cannot do\n", site)
			return nil
		},
	}
	configFlag(cmd, &f.config)
	cmd.Flags().DurationVar(&f.forTime, "for", 0, "how long, at most 720h")
	cmd.Flags().StringVar(&f.why, "why", "", "what is done there; with --end, what was done: it is kept for the report")
	cmd.Flags().BoolVar(&f.end, "end", false, "end it now")
	cmd.Flags().StringVar(&f.acknowledge, "acknowledge", "", "id of an alarm that you have seen: it is not passed on to a second person")
	cmd.Flags().BoolVar(&f.newBattery, "new-battery", false, "the battery was replaced: forget what was learned of the old one")
	return cmd
}

// addressee is the site and the state folder of the daemon that a configuration belongs to,
// be it that of a node or of the watcher at home.
func addressee(problems io.Writer, file string) (site, state string, err error) {
	if !watcher.Is(file) {
		c, err := loadOrSay(problems, file, config.Need{State: true})
		if err != nil {
			return "", "", err
		}
		return c.Site.Name, c.State, nil
	}
	c, err := loadHome(problems, file)
	if err != nil {
		return "", "", err
	}
	return c.Site.Name, c.State, nil
}

func (f silenceFlags) request() (core.Request, error) {
	r := core.Request{Silence: f.forTime, Why: f.why, End: f.end, Acknowledge: f.acknowledge, NewBattery: f.newBattery}
	switch {
	case f.forTime < 0 || f.forTime > 720*time.Hour:
		return r, misused("cannot be silent for %s: give a time up to 720h", f.forTime)
	case f.forTime > 0 && f.why == "":
		return r, misused("cannot be silent without a reason: give --why, for whoever reads the record")
	case r == core.Request{}:
		return r, misused("cannot tell what you want: give --for and --why, --end, --acknowledge or --new-battery")
	}
	return r, nil
}
