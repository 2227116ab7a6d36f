package lookback

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"time"

	"ebbwatch/alert/cause"
	"ebbwatch/collector/nodestate"
)

// reportJSON is the report for a program, with the schema that every answer for scripts has.
// What is not known is left out.
type reportJSON struct {
	Schema   int                `json:"schema"`
	Site     string             `json:"site"`
	From     time.Time          `json:"from"`
	To       time.Time          `json:"to"`
	Covered  float64            `json:"covered_ratio"`
	Summary  []string           `json:"summary"`
	Silences []silenceJSON      `json:"silences"`
	Energy   map[string]float64 `json:"energy_wh"`
	Missing  map[Cause]float64  `json:"harvest_missing_wh"`
	Days     []dayJSON          `json:"days"`
	Warnings []warningJSON      `json:"warnings,omitempty"`
}

type silenceJSON struct {
	From    time.Time     `json:"from"`
	To      time.Time     `json:"to,omitzero"` // left out while it lasts
	Hours   float64       `json:"hours"`
	How     string        `json:"how"`
	Dark    cause.Truth   `json:"dark"` // yes, no, or empty for not known
	Said    *float64      `json:"chance_72h_a_day_before,omitempty"`
	Warned  time.Time     `json:"warned,omitzero"`
	Verdict cause.Verdict `json:"verdict"`
}

type dayJSON struct {
	Date    string   `json:"date"`
	Covered float64  `json:"covered_ratio"`
	Harvest *float64 `json:"harvest_wh,omitempty"`
	Clear   *float64 `json:"clear_sky_wh,omitempty"`
	SoC     *float64 `json:"lowest_soc_ratio,omitempty"`
	Volts   *float64 `json:"lowest_volts,omitempty"`
	Load    *float64 `json:"load_watts,omitempty"`
}

type warningJSON struct {
	Raised  time.Time `json:"raised"`
	Cleared time.Time `json:"cleared,omitzero"`
	Came    time.Time `json:"came,omitzero"`
}

// JSON writes the report for a program.
func (r Report) JSON(out io.Writer) error {
	j := reportJSON{Schema: nodestate.Schema, Site: r.Site, From: r.From, To: r.To, Covered: r.Covered, Summary: r.summary(), Silences: []silenceJSON{},
		Energy: map[string]float64{}, Missing: r.Harvest.Missing, Days: []dayJSON{}}
	for _, s := range r.Silences {
		j.Silences = append(j.Silences, silenceJSON{s.Start, s.End, s.Length(r.To).Hours(), s.How(), s.Dark, number64(s.Said), s.Warned, s.Verdict})
	}
	l := r.Ledger
	for name, x := range map[string]float64{"panel": l.Panel, "load": l.Load, "past_the_meters": l.Unmetered, "battery_in": l.Into, "battery_out": l.From,
		"stored": l.Stored, "lost_in_controller": l.Converter, "lost_in_battery": l.Kept, "unaccounted": l.Unaccounted} {
		if !math.IsNaN(x) {
			j.Energy[name] = x
		}
	}
	for _, d := range r.Days {
		day := dayJSON{Date: d.Date.In(r.Zone).Format(time.DateOnly), Covered: d.Covered, SoC: number64(d.SoCLeast), Volts: number64(d.VoltsLeast), Load: number64(d.LoadWatts)}
		if d.Covered > 0 {
			day.Harvest, day.Clear = number64(d.Got), number64(d.Clear)
		}
		j.Days = append(j.Days, day)
	}
	for _, w := range r.Warnings {
		j.Warnings = append(j.Warnings, warningJSON{w.Raised, w.Cleared, w.Came})
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	if err := enc.Encode(j); err != nil {
		return fmt.Errorf("cannot print the report: %w", err)
	}
	return nil
}

// number64 is x where it is known.
func number64(x float64) *float64 {
	if math.IsNaN(x) {
		return nil
	}
	return &x
}
