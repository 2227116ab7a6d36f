package main

import (
	"bytes"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/lookback"
	"ebbwatch/cmd/internal/replay"
)

func backtestCommand() *cobra.Command {
	var f replayFiles
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "backtest [--config FILE] [--readings FILE]",
		Short: "What today's settings would have said, and how good it would have been",
		Long: `Replays recorded readings, or the node's own history where none are given, and holds what would
have been said against what came: each outage with its warning, alarms that came to nothing, and
how well the stated chances agree with what happened.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			v, zone, err := f.backtest(cmd)
			if err != nil {
				return err
			}
			if !asJSON {
				return v.Write(cmd.OutOrStdout(), zone)
			}
			return printJSON(cmd.OutOrStdout(), v)
		},
	}
	configFlag(cmd, &f.config)
	flags := cmd.Flags()
	flags.StringVar(&f.readings, "readings", "", "readings, CSV: time and any quantities; the node's own history when left out")
	flags.StringVar(&f.forecasts, "forecasts", "", "forecasts, CSV: issued,valid,ghi_w_m2[,air_celsius]")
	flags.BoolVar(&asJSON, "json", false, "print the verdict as JSON")
	return cmd
}

func (f replayFiles) backtest(cmd *cobra.Command) (v lookback.Tested, zone *time.Location, err error) {
	need := config.Need{State: f.readings == ""}
	c, err := loadOrSay(cmd.ErrOrStderr(), f.config, need)
	if err != nil {
		return v, nil, err
	}
	job := replay.Job{Plan: plan(c), Name: f.readings, Every: time.Hour, Progress: progressLine(cmd.ErrOrStderr())}
	if job.Forecasts, err = f.readForecasts(); err != nil {
		return v, nil, err
	}
	var readings bytes.Buffer
	if f.readings == "" {
		job.Name = "the history"
		span := [2]time.Time{time.Unix(0, 0), time.Now()}
		err = exportHistory(cmd.Context(), c, span, &readings, cmd.ErrOrStderr())
	} else {
		var text []byte
		text, err = os.ReadFile(f.readings)
		readings = *bytes.NewBuffer(text)
	}
	if err != nil {
		return v, nil, fmt.Errorf("cannot read the readings: %w", err)
	}
	v, err = lookback.Backtest(job, readings.Bytes())
	return v, c.Site.Zone, err
}
