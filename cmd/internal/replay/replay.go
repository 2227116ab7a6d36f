package replay

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"ebbwatch/cmd/internal/core"
	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// Source is the name of the one source of a replay.
const Source = "readings"

// Job is one replay.
type Job struct {
	Plan      core.Plan // its sources are set by the job
	Readings  io.Reader
	Name      string              // of the readings, for messages
	Forecasts []*reading.Forecast // in order of issue
	Every     time.Duration       // between estimates
	Estimates io.Writer           // CSV
	Notices   io.Writer           // JSON lines
	Exact     bool                // all digits in the estimates, not four places
	Progress  func(at time.Time)
}

// Summary tells what a replay did.
type Summary struct {
	Rows      int // used
	Skipped   int // not later than the row before
	Estimates int
	Notices   int
}

// run is the state of one replay.
type run struct {
	Job
	core    *core.Core
	csv     *csv.Writer
	notices *json.Encoder
	first   time.Time
	at      time.Time // of the last step
	mark    time.Time // of the next estimate
	sum     Summary
}

// Run replays the readings. Each estimate uses only what was read up to its time.
func (j Job) Run() (Summary, error) {
	file, err := OpenReadings(j.Readings, j.Name)
	if err != nil {
		return Summary{}, err
	}
	rows := &spaced{file: file}
	j.Plan.Sources = []core.SourcePlan{{Name: Source, Kind: "replay", Every: rows.spacing()}}
	j.Plan.OutlookEvery, j.Plan.AdviseEvery = j.Every, 0
	notices := bufio.NewWriter(j.Notices)
	r := &run{Job: j, core: core.New(j.Plan), csv: csv.NewWriter(j.Estimates), notices: json.NewEncoder(notices)}
	if err := r.csv.Write(Header()); err != nil {
		return Summary{}, fmt.Errorf("cannot write the estimates: %w", err)
	}
	for {
		row, err := rows.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err == nil {
			err = r.row(row)
		}
		if err != nil {
			return r.sum, err
		}
	}
	if r.first.IsZero() {
		return r.sum, fmt.Errorf("cannot replay %s: it holds no rows", j.Name)
	}
	if r.sum.Skipped > r.sum.Rows {
		return r.sum, fmt.Errorf("cannot replay %s: %d of its %d rows are not later than the row before; sort it by time", j.Name, r.sum.Skipped, r.sum.Rows+r.sum.Skipped)
	}
	err = r.marks(r.at.Add(1))
	r.csv.Flush()
	return r.sum, errors.Join(err, r.csv.Error(), notices.Flush())
}

// row lives through one row and the estimates due before it.
func (r *run) row(row Row) error {
	if r.first.IsZero() {
		r.first = row.Time
		r.mark = row.Time.Truncate(r.Every)
		if r.mark.Before(row.Time) {
			r.mark = r.mark.Add(r.Every)
		}
	} else if !row.Time.After(r.at) {
		r.sum.Skipped++
		return nil
	}
	if err := r.marks(row.Time); err != nil {
		return err
	}
	r.sum.Rows++
	now := r.stamp(row.Time)
	if err := r.core.Report(collector.Report{Source: Source, At: now, Values: row.Values}); err != nil {
		return err
	}
	return r.step(row.Time)
}

// marks writes the estimates whose time is before t.
func (r *run) marks(t time.Time) error {
	for r.mark.Before(t) {
		if !r.at.Equal(r.mark) {
			if err := r.step(r.mark); err != nil {
				return err
			}
		}
		if err := r.csv.Write(estimate(r.mark, r.core.Belief(), r.core.Outlook(), r.Exact)); err != nil {
			return fmt.Errorf("cannot write the estimates: %w", err)
		}
		r.sum.Estimates++
		if r.Progress != nil {
			r.Progress(r.mark)
		}
		r.mark = r.mark.Add(r.Every)
	}
	return nil
}

func (r *run) step(t time.Time) error {
	r.at = t
	for len(r.Forecasts) > 0 && !r.Forecasts[0].Issued.After(t) {
		r.core.Forecast(r.Forecasts[0])
		r.Forecasts = r.Forecasts[1:]
	}
	for _, n := range r.core.Step(r.stamp(t)) {
		r.sum.Notices++
		if err := r.notices.Encode(n); err != nil {
			return fmt.Errorf("cannot write the notices: %w", err)
		}
	}
	return nil
}

func (r *run) stamp(t time.Time) reading.Stamp {
	return reading.Stamp{Mono: t.Sub(r.first), Wall: t, Trusted: true}
}
