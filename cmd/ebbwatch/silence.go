package main

import (
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/cmd/internal/watcher"
)

// silenceFlags are what the owner asks of a running daemon.
type silenceFlags struct {
	config, why, alarm string
	forTime            time.Duration
	end, newBattery    bool
}

func silenceCommand() *cobra.Command {
	var f silenceFlags
	cmd := &cobra.Command{
		Use:   "silence [ALARM] --for 2h [--why TEXT]",
		Short: "Mute an alarm or a rule, or all while somebody works at the node",
		Long: `With an alarm's id, as status and the page show it, with a rule, or with a rule at one source or
peer, such as source_silent/charger, only that is muted. An alarm is heard again when it grows
graver, and its end is told.

Without one somebody works at the node: no notices are sent, and what is measured teaches
nothing: charging by hand must not look like sun. Either ends by itself. The request is left in
the state folder; the daemon takes it within ten seconds. With the configuration of a watcher at
home it is the watcher that sends nothing.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				f.alarm = args[0]
			}
			r, err := f.request()
			if err != nil {
				return err
			}
			return tell(cmd, f.config, r)
		},
	}
	configFlag(cmd, &f.config)
	cmd.Flags().DurationVar(&f.forTime, "for", 0, "how long, at most 720h")
	cmd.Flags().StringVar(&f.why, "why", "", "what is done there; with --end, what was done: it is kept for the report")
	cmd.Flags().BoolVar(&f.end, "end", false, "end it now")
	cmd.Flags().BoolVar(&f.newBattery, "new-battery", false, "the battery was replaced: forget what was learned of the old one")
	return cmd
}

func acknowledgeCommand() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "acknowledge ALARM",
		Short: "Tell the running daemon that you have seen an alarm",
		Long: `What was seen is not passed on to a second person, and nobody is reminded of it. ALARM is its id, as
status and the page show it, or its rule.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return tell(cmd, file, core.Request{Acknowledge: args[0]})
		},
	}
	configFlag(cmd, &file)
	return cmd
}

// tell leaves a request for the daemon of a configuration. What its alarms, as it kept them last,
// show to be impossible is refused here.
func tell(cmd *cobra.Command, file string, r core.Request) error {
	site, state, err := addressee(cmd.ErrOrStderr(), file)
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
	if r.Acknowledge != "" || r.Alarm != "" {
		alarms, err := keptAlarms(file, state)
		if err == nil {
			_, err = r.Alerts(alarms, time.Now())
		}
		if err != nil {
			return fmt.Errorf("cannot tell %s: %w", site, err)
		}
	}
	if err := statedir.Leave(state, r); err != nil {
		return err
	}
	fmt.Fprintf(cmd.OutOrStdout(), "%s is told; it acts within ten seconds, and logs what it cannot do\n", site)
	return nil
}

// keptAlarms are the alarms that a node, or a watcher at home, kept last.
func keptAlarms(file, state string) (alert.State, error) {
	if watcher.Is(file) {
		return watcher.KeptAlarms(state)
	}
	var kept daemon.Alerts
	err := statedir.Peek(state, "alerts", &kept)
	return kept.Engine, err
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
	r := core.Request{Silence: f.forTime, Why: f.why, End: f.end, Alarm: f.alarm, NewBattery: f.newBattery}
	switch {
	case f.forTime < 0 || f.forTime > 720*time.Hour:
		return r, misused("cannot be silent for %s: give a time up to 720h", f.forTime)
	case f.alarm != "" && f.newBattery || f.alarm != "" && (f.forTime > 0) == f.end:
		return r, misused("cannot tell what you want with %s: give --for or --end", f.alarm)
	case f.forTime > 0 && f.why == "" && f.alarm == "":
		return r, misused("cannot be silent without a reason: give --why, for whoever reads the record")
	case r == core.Request{}:
		return r, misused("cannot tell what you want: give --for and --why, --end, or --new-battery")
	}
	return r, nil
}
