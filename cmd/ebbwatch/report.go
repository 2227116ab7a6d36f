package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/alert/cause"
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
	rain, heard, others    string
	sun, readings          string
	why, asJSON            bool
}

func reportCommand() *cobra.Command {
	var f reportFlags
	cmd := &cobra.Command{
		Use:   "report [--last 168h | --from DAY --to DAY]",
		Short: "Look back: where the energy went, the worst nights, and why the node went silent",
		Long: `Looks back over the record that the daemon keeps: the account of the energy, the worst nights, the
harvest and what it lacked, the load, the path, and how the warnings did.

With --why it tells what each silence is put down to, with the evidence for and against, and what
to bring. It says "cannot tell" where the record does not tell, and what would: --rain, --heard,
--others and --sun say what no sensor of the node knows.

With --readings it looks back over a readings file instead, all of it unless --from is given.`,
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	configFlag(cmd, &f.config)
	flags := cmd.Flags()
	flags.DurationVar(&f.last, "last", 7*24*time.Hour, "how far back, when --from is not given")
	flags.StringVar(&f.from, "from", "", "first day or moment (2026-01-31, or RFC 3339)")
	flags.StringVar(&f.to, "to", "", "last moment; now when left out")
	flags.StringVar(&f.html, "html", "", "write the report as one page to this file, instead of text to the screen")
	flags.BoolVar(&f.why, "why", false, "tell why the node was silent")
	flags.BoolVar(&f.asJSON, "json", false, "print the report as JSON")
	flags.StringVar(&f.readings, "readings", "", "look back over readings, CSV, instead of the node's own record")
	flags.StringVar(&f.rain, "rain", "", "yes or no: it rained when it fell silent")
	flags.StringVar(&f.heard, "heard", "", "yes or no: neighbours heard it in the meantime")
	flags.StringVar(&f.others, "others", "", "yes or no: other nodes fell silent with it")
	flags.StringVar(&f.sun, "sun", "", "yes or no: the sun shone for hours in the meantime")
	return cmd
}

func (f reportFlags) run(cmd *cobra.Command) (err error) {
	ctx := cmd.Context()
	own := f.readings == ""
	c, err := loadOrSay(cmd.ErrOrStderr(), f.config, config.Need{Sources: own, State: own})
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
	known, err := f.known()
	if err != nil {
		return err
	}
	var r lookback.Report
	if own {
		r, err = reportOfRecord(ctx, c, span, known)
	} else {
		r, err = f.reportOfReadings(c, span, known)
	}
	switch {
	case err != nil:
		return err
	case f.asJSON:
		return r.JSON(cmd.OutOrStdout())
	case f.why:
		return r.Why(cmd.OutOrStdout())
	case f.html == "":
		return r.Text(cmd.OutOrStdout())
	}
	return writeHTML(f.html, r)
}

// reportOfReadings looks back over a readings file, in which nothing was believed or told.
func (f reportFlags) reportOfReadings(c loaded, span [2]time.Time, known lookback.Options) (lookback.Report, error) {
	text, err := os.ReadFile(f.readings)
	if err != nil {
		return lookback.Report{}, fmt.Errorf("cannot read the readings: %w", err)
	}
	steps, err := lookback.StepsOfReadings(text, f.readings)
	if err != nil {
		return lookback.Report{}, err
	}
	if len(steps) == 0 {
		return lookback.Report{}, fmt.Errorf("cannot look back over %s: it holds no rows", f.readings)
	}
	if last := steps[len(steps)-1]; f.to == "" {
		span[1] = last.At.Add(last.Span)
	}
	if f.from == "" {
		span[0] = steps[0].At
	}
	return lookback.Make(lookback.Input{Site: c.Site.Name, Zone: c.Site.Zone, From: span[0], To: span[1], Steps: steps,
		Battery: c.Battery.Model(), Array: c.Place(), Health: math.NaN(), Known: known}), nil
}

// known is what the owner says of the silences that no sensor tells.
func (f reportFlags) known() (o lookback.Options, err error) {
	for _, x := range []struct {
		flag, text string
		into       *cause.Truth
	}{{"rain", f.rain, &o.Rain}, {"heard", f.heard, &o.Heard}, {"others", f.others, &o.Others}, {"sun", f.sun, &o.Bright}} {
		if err := x.into.UnmarshalText([]byte(x.text)); err != nil {
			return o, fmt.Errorf("cannot use --%s: %w", x.flag, err)
		}
	}
	return o, nil
}

func reportOfRecord(ctx context.Context, c loaded, span [2]time.Time, known lookback.Options) (r lookback.Report, err error) {
	h, done, err := openRecord(ctx, c)
	if err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, done()) }()
	in := lookback.Input{
		Site: c.Site.Name, Zone: c.Site.Zone, From: span[0], To: span[1], Battery: c.Battery.Model(), Array: c.Place(), Health: math.NaN(), Known: known,
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
	if in.Steps, err = lookback.Load(ctx, h, span[0].Add(-lookback.Month), span[1], peers, nil); err != nil {
		return lookback.Report{}, err
	}
	raw, err := h.Notices(ctx, span[0].Add(-lookback.Month), span[1])
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
