package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/cmd/internal/web"
	"ebbwatch/collector/reading"
)

// historyFile is the name of the history in the state folder.
const historyFile = "history.db"

// historyOptions say where the history of a node is kept: beside its state.
func historyOptions(c loaded, log *slog.Logger) history.Options {
	boot, up := board()
	return history.Options{
		Path: filepath.Join(c.State, historyFile), Peers: plan(c).Engine.Instances["peer"], Prompt: c.RemoteWrite != nil,
		Boot: boot, MonoBase: up, Log: log,
	}
}

// board names this start of the board, and tells how long it has been up.
func board() (boot string, up time.Duration) {
	var mono unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &mono) // fails on no Linux
	id, _ := os.ReadFile("/proc/sys/kernel/random/boot_id")
	return strings.TrimSpace(string(id)), time.Duration(mono.Nano())
}

// seed gives the chart the charge of the last week from before the start.
func seed(ctx context.Context, h *history.Store, past *web.Past, now reading.Stamp) error {
	at := now.Wall
	series, err := h.Lookup(ctx, history.Query{
		From: at.Add(-7 * 24 * time.Hour), To: at, Points: 336, Names: []string{"battery_soc", "battery_soc_low", "battery_soc_high"},
	})
	if err != nil {
		return err
	}
	soc, lowest, highest := series.Column("battery_soc"), series.Column("battery_soc_low"), series.Column("battery_soc_high")
	if soc == nil || lowest == nil || highest == nil {
		return nil
	}
	var points []web.Point
	for i, t := range series.Times {
		points = append(points, web.Point{Hours: t.Sub(at).Hours(), SoC: soc.Mean[i], Low: lowest.Mean[i], High: highest.Mean[i]})
	}
	past.Seed(&facts.Snapshot{At: now}, points)
	return nil
}

func historyCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "history", Short: "What was measured, on the board's own card"}
	var file, from, to string
	export := &cobra.Command{
		Use:   "export [--config FILE]",
		Short: "Print the samples as CSV, in the form that replay reads",
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := loadOrSay(cmd.ErrOrStderr(), file, config.Need{State: true})
			if err != nil {
				return err
			}
			span, err := history.ParseSpan(from, to, time.Now())
			if err != nil {
				return misuse{err}
			}
			return exportHistory(cmd.Context(), c, span, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	configFlag(export, &file)
	export.Flags().StringVar(&from, "from", "", "first day or moment (2026-01-31, or RFC 3339); all that there is when left out")
	export.Flags().StringVar(&to, "to", "", "last moment; now when left out")
	cmd.AddCommand(export)
	return cmd
}

func exportHistory(ctx context.Context, c loaded, span [2]time.Time, stdout, stderr io.Writer) (err error) {
	h, done, err := openRecord(ctx, c)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, done()) }()
	rows, err := h.Export(ctx, stdout, span[0], span[1])
	if err != nil {
		return err
	}
	fmt.Fprintf(stderr, "%s\n", count(rows, "row"))
	if own, is := h.(*history.Store); is {
		if damaged, err := own.Damaged(ctx); err == nil && damaged > 0 {
			fmt.Fprintf(stderr, "%s left out: what they hold is not what was written\n", count(int(damaged), "damaged row"))
		}
	}
	return nil
}

// pastRecord is the history of a node, in its file or through a running daemon.
type pastRecord interface {
	Lookup(ctx context.Context, q history.Query) (history.Series, error)
	Notices(ctx context.Context, from, to time.Time) ([]json.RawMessage, error)
	Export(ctx context.Context, out io.Writer, from, to time.Time) (rows int, err error)
}

// openRecord asks the daemon where one runs, since only one program may hold the file.
func openRecord(ctx context.Context, c loaded) (pastRecord, func() error, error) {
	store, err := openRecorded(c.State)
	if errors.Is(err, statedir.ErrInUse) {
		ask := history.Client{URL: "http://" + c.Web.Listen}
		if local, there := daemon.LocalClient(ctx, c.State); there {
			ask = history.Client{URL: daemon.LocalURL, HTTP: local}
		}
		return ask, func() error { return nil }, nil
	}
	if err != nil {
		return nil, nil, err
	}
	o := historyOptions(c, slog.New(slog.DiscardHandler))
	o.Look = true
	h := history.Open(o)
	return h, func() error { return errors.Join(h.Close(ctx), store.Close()) }, nil
}

// openRecorded takes a state folder into possession that a daemon has recorded in; a command
// that only looks must not make one.
func openRecorded(path string) (*statedir.Dir, error) {
	if _, err := os.Stat(filepath.Join(path, historyFile)); err != nil {
		return nil, fmt.Errorf("cannot look back: nothing is recorded in %s yet", path)
	}
	return statedir.Open(path)
}
