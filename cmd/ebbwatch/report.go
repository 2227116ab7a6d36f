package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/lookback"
	"ebbwatch/cmd/internal/planning"
	"ebbwatch/estimator/battery"
)

// reportFlags choose the span and the form of a report.
type reportFlags struct {
	config, from, to, html string
	last                   time.Duration
	why                    bool
}

func reportCommand() *cobra.Command {
	var f reportFlags
	cmd := &cobra.Command{
		Use:   "report [--last 168h | --from DAY --to DAY]",
		Short: "Look back: where the energy went, the worst nights, and why the node went silent",
		Long: `Looks back over the record that the daemon keeps: the account of the energy, the worst nights, the
harvest and what it lacked, the load, the way home, and how the warnings did.

With --why it tells what each silence is put down to, with the evidence for and against, and what
to bring. It says "cannot tell" where the record does not tell.`,
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	configFlag(cmd, &f.config)
	flags := cmd.Flags()
	flags.DurationVar(&f.last, "last", 7*24*time.Hour, "how far back, when --from is not given")
	flags.StringVar(&f.from, "from", "", "first day or moment (2026-01-31, or RFC 3339)")
	flags.StringVar(&f.to, "to", "", "last moment; now when left out")
	flags.StringVar(&f.html, "html", "", "write the report as one page to this file, instead of text to the screen")
	flags.BoolVar(&f.why, "why", false, "tell why the node was silent")
	return cmd
}

func (f reportFlags) run(cmd *cobra.Command) (err error) {
	ctx := cmd.Context()
	c, err := loadOrSay(cmd.ErrOrStderr(), f.config, config.Need{Sources: true, State: true})
	if err != nil {
		return err
	}
	span, err := history.ParseSpan(f.from, f.to, time.Now())
	if err != nil {
		return misuse{err}
	}
	if f.from == "" {
		span[0] = span[1].Add(-f.last)
	}
	h, done, err := openRecord(ctx, c)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, done()) }()
	if f.why {
		return explainSilences(ctx, cmd.OutOrStdout(), c, h, span)
	}
	r, err := makeReport(ctx, c, h, span)
	if err != nil {
		return err
	}
	if f.html == "" {
		return r.Text(cmd.OutOrStdout())
	}
	return writeHTML(f.html, r)
}

func makeReport(ctx context.Context, c loaded, h pastRecord, span [2]time.Time) (lookback.Report, error) {
	in := lookback.Input{
		Site: c.Site.Name, Zone: c.Site.Zone, From: span[0], To: span[1], Battery: c.Battery.Model(), Array: c.Place(), Health: math.NaN(),
	}
	learned, _, err := planning.Learned(c.State)
	switch {
	case err != nil:
		in.Record = "How good the forecasts were is not known: " + err.Error() + "."
	case learned != nil:
		in.Health = battery.Model{Battery: in.Battery}.Belief(&learned.Belief).Health
		in.Record = learned.Outlook.Ledger.Report().Words()
	}
	peers := plan(c).Engine.Instances["peer"]
	if in.Steps, err = lookback.Load(ctx, h, span[0], span[1], peers, nil); err != nil {
		return lookback.Report{}, err
	}
	raw, err := h.Notices(ctx, span[0], span[1])
	if err != nil {
		return lookback.Report{}, err
	}
	if in.Notices, err = lookback.ParseNotices(raw); err != nil {
		return lookback.Report{}, err
	}
	return lookback.Make(in), nil
}

func writeHTML(path string, r lookback.Report) (err error) {
	file, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("cannot write the report: %w", err)
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	return r.HTML(file)
}

// explainSilences tells what each silence of the span is put down to.
func explainSilences(ctx context.Context, w io.Writer, c loaded, h pastRecord, span [2]time.Time) error {
	o := lookback.Unknown(time.Now())
	o.Zone, o.CutoffVolts, o.Peers, o.BoardUptime = c.Site.Zone, c.Battery.Model().CutoffVolts, plan(c).Engine.Instances["peer"], uptime()
	silences, err := lookback.Find(ctx, h, span[0], span[1], 10*time.Minute, o.Peers)
	if err != nil {
		return err
	}
	if len(silences) == 0 {
		fmt.Fprintln(w, "The node was never silent in that time.")
	}
	for _, s := range silences {
		v, err := lookback.Why(ctx, h, s, o)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "%s\n%s\n", s.Title(o.Zone), v)
	}
	return nil
}

// uptime is how long the board runs; 0 where it does not say.
func uptime() time.Duration {
	text, err := os.ReadFile("/proc/uptime")
	if err != nil {
		return 0
	}
	first, _, _ := strings.Cut(string(text), " ")
	d, err := time.ParseDuration(first + "s")
	if err != nil {
		return 0
	}
	return d
}
