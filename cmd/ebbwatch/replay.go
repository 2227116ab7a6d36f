package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/replay"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/weather"
)

// replayFiles are the flags of replay.
type replayFiles struct {
	config, readings, forecasts, out string
	every                            time.Duration
	exact                            bool
}

func replayCommand() *cobra.Command {
	var f replayFiles
	cmd := &cobra.Command{
		Use:   "replay [--config FILE] --readings FILE --out FOLDER",
		Short: "Live through recorded readings: estimates and notices as they would have come",
		RunE:  func(cmd *cobra.Command, _ []string) error { return f.run(cmd.ErrOrStderr()) },
	}
	configFlag(cmd, &f.config)
	flags := cmd.Flags()
	flags.StringVar(&f.readings, "readings", "", "readings, CSV: time and any quantities")
	flags.StringVar(&f.forecasts, "forecasts", "", "forecasts, CSV: issued,valid,ghi_w_m2[,air_celsius]")
	flags.StringVar(&f.out, "out", "", "folder for estimates.csv and notices.jsonl")
	flags.DurationVar(&f.every, "every", time.Hour, "time between estimates")
	flags.BoolVar(&f.exact, "exact", false, "estimates with all their digits")
	for _, name := range []string{"readings", "out"} {
		if err := cmd.MarkFlagRequired(name); err != nil {
			panic(err) // the flags are defined above
		}
	}
	return cmd
}

func (f replayFiles) run(stderr io.Writer) error {
	if f.every < time.Minute {
		return misused("cannot replay: --every %s is below one minute", f.every)
	}
	c, err := loadOrSay(stderr, f.config, config.Need{})
	if err != nil {
		return err
	}
	job := replay.Job{Plan: plan(c), Name: f.readings, Every: f.every, Exact: f.exact, Progress: progressLine(stderr)}
	if job.Forecasts, err = f.readForecasts(); err != nil {
		return err
	}
	in, err := os.Open(f.readings)
	if err != nil {
		return fmt.Errorf("cannot open the readings: %w", err)
	}
	defer in.Close()
	job.Readings = in
	sum, err := f.write(job)
	if err != nil {
		return err
	}
	fmt.Fprintf(stderr, "%d rows replayed, %d skipped (not later than the row before): %d estimates and %d notices in %s\n",
		sum.Rows, sum.Skipped, sum.Estimates, sum.Notices, f.out)
	return nil
}

func (f replayFiles) readForecasts() ([]*reading.Forecast, error) {
	if f.forecasts == "" {
		return nil, nil
	}
	in, err := os.Open(f.forecasts)
	if err != nil {
		return nil, fmt.Errorf("cannot open the forecasts: %w", err)
	}
	defer in.Close()
	return weather.ReadCSV(in, f.forecasts)
}

// write runs the job into the two files of the output folder.
func (f replayFiles) write(job replay.Job) (sum replay.Summary, err error) {
	_, missing := os.Stat(f.out)
	if err := os.MkdirAll(f.out, 0o755); err != nil {
		return sum, fmt.Errorf("cannot make the output folder: %w", err)
	}
	defer func() { // what failed leaves nothing that looks like a result
		if err != nil && missing != nil {
			_ = os.RemoveAll(f.out) // made above
		}
	}()
	for name, into := range map[string]*io.Writer{"estimates.csv": &job.Estimates, "notices.jsonl": &job.Notices} {
		file, openErr := os.Create(filepath.Join(f.out, name))
		if openErr != nil {
			return sum, fmt.Errorf("cannot write the output: %w", openErr)
		}
		defer func() { err = errors.Join(err, file.Close()) }()
		*into = file
	}
	return job.Run()
}

// progressLine shows on a terminal how far a long replay has come.
func progressLine(w io.Writer) func(time.Time) {
	if _, ok := onTerminal(w); !ok {
		return nil
	}
	shown := time.Now()
	return func(at time.Time) {
		if time.Since(shown) > time.Second {
			shown = time.Now()
			fmt.Fprintf(w, "\r%s ", at.Format(time.DateOnly))
		}
	}
}
