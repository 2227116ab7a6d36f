package lookback

import (
	"bytes"
	"errors"
	"io"
	"math"
	"slices"
	"time"

	"ebbwatch/cmd/internal/replay"
	"ebbwatch/collector/reading"
)

// StepsOfReadings makes steps of a readings file, as [Load] does of a history: what a file
// holds is enough for silences and the account of the energy, not for what was believed.
// Rows farther apart than five minutes make steps of their own spacing.
func StepsOfReadings(readings []byte, name string) ([]Step, error) {
	file, err := replay.OpenReadings(bytes.NewReader(readings), name)
	if err != nil {
		return nil, err
	}
	var rows []replay.Row
	for {
		row, err := file.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if n := len(rows); n == 0 || row.Time.After(rows[n-1].Time) {
			rows = append(rows, row)
		}
	}
	width := spacing(rows)
	var steps []Step
	for i := 0; i < len(rows); {
		at := rows[i].Time.Truncate(width)
		var sums [reading.NumSite]mean
		low, stage := math.NaN(), math.NaN()
		for ; i < len(rows) && rows[i].Time.Before(at.Add(width)); i++ {
			for _, v := range rows[i].Values {
				sums[v.Quantity].add(v.X)
				switch {
				case v.Quantity == reading.BatteryVolts && !(v.X >= low):
					low = v.X
				case v.Quantity == reading.ChargeStage && !(v.X <= stage):
					stage = v.X
				}
			}
		}
		var r reading.Reading
		for q, sum := range sums {
			if sum.n > 0 {
				r.Set(reading.Quantity(q), sum.value())
			}
		}
		steps = append(steps, stepOf(at, width, &r, low, stage))
	}
	return steps, nil
}

// spacing is the usual time between rows, five minutes at the least.
func spacing(rows []replay.Row) time.Duration {
	var gaps []time.Duration
	for i := 1; i < min(len(rows), 1000); i++ {
		gaps = append(gaps, rows[i].Time.Sub(rows[i-1].Time))
	}
	if len(gaps) == 0 {
		return fine
	}
	slices.Sort(gaps)
	return max(fine, gaps[len(gaps)/2])
}

// stepOf is a step of the mean readings of a span.
func stepOf(at time.Time, width time.Duration, r *reading.Reading, low, stage float64) Step {
	nan := math.NaN()
	get := func(q reading.Quantity) float64 {
		if x, known := r.Get(q); known {
			return x
		}
		return nan
	}
	watts := func(f reading.Flow) float64 {
		if !f.Known {
			return nan
		}
		return f.X
	}
	volts := get(reading.BatteryVolts)
	pv, load, net := watts(r.PanelPower()), watts(r.LoadPower(zero(volts))), watts(r.BatteryPower())
	s := width.Seconds()
	return Step{
		At: at, Span: width, PV: pv * s, Load: load * s, BatteryIn: max(0, net) * s, BatteryOut: max(0, -net) * s,
		Volts: volts, VoltsLow: low, SoC: nan, SoCLow: nan, SoCHigh: nan, Chance24: nan, Chance72: nan, LoadWatts: load, UnmeteredWatts: nan,
		ChargeWatts: watts(r.ChargePower(zero(volts))), PanelVolts: get(reading.PanelVolts), BatteryCelsius: get(reading.BatteryCelsius),
		AirCelsius: get(reading.AirCelsius), ControllerCelsius: get(reading.ControllerCelsius), LoadOn: get(reading.LoadOn), Stage: stage,
		PVSky: nan, Boot: nan, UptimeLow: nan, UptimeHigh: nan,
	}
}
