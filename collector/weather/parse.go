package weather

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// span is one value and the time it holds for.
type span struct {
	from, to time.Time
	x        float64
}

// longestDay is how far ahead a forecast is read, and how long one value may hold.
const longestDay = 16 * 24 * time.Hour

// ErrNoLight says that an answer held nothing that tells of light.
var ErrNoLight = errors.New("no irradiance and no cloud cover for any hour")

// Parse reads an answer. fetched is taken as the issue time where the answer names none, and
// also where it names a later one.
func Parse(f Format, body []byte, fetched time.Time) (*reading.Forecast, error) {
	var doc any
	if err := json.Unmarshal(body, &doc); err != nil {
		return nil, fmt.Errorf("cannot read the forecast: %w", err)
	}
	out := &reading.Forecast{Issued: fetched.UTC()}
	if f.Issued != "" {
		if s, ok := find(doc, f.Issued).(string); ok {
			if at, err := parseTime(s); err == nil && at.Before(fetched) {
				out.Issued = at
			}
		}
	}
	hours := map[int64]*reading.ForecastHour{}
	for _, q := range []struct {
		field    Field
		lo, hi   float64
		set      func(*reading.ForecastHour, float64)
		smoothed bool
	}{
		{f.GHI, 0, 1500, func(h *reading.ForecastHour, x float64) { h.GHI = x }, false},
		{f.Cloud, 0, 1, func(h *reading.ForecastHour, x float64) { h.CloudRatio = x }, true},
		{f.Air, -80, 60, func(h *reading.ForecastHour, x float64) { h.AirCelsius = x }, true},
	} {
		if q.field.Path == "" {
			continue
		}
		spans, err := f.spans(doc, q.field)
		if err != nil {
			return nil, err
		}
		for at, x := range hourly(spans, q.lo, q.hi) {
			if hours[at] == nil {
				hours[at] = &reading.ForecastHour{Start: time.Unix(at, 0).UTC(), GHI: math.NaN(), CloudRatio: math.NaN(), AirCelsius: math.NaN()}
			}
			q.set(hours[at], x)
		}
	}
	return collect(out, hours)
}

func collect(out *reading.Forecast, hours map[int64]*reading.ForecastHour) (*reading.Forecast, error) {
	light := false
	for _, h := range hours {
		if h.Start.Sub(out.Issued) > longestDay || out.Issued.Sub(h.Start) > 48*time.Hour {
			continue
		}
		light = light || !math.IsNaN(h.GHI) || !math.IsNaN(h.CloudRatio)
		out.Hours = append(out.Hours, *h)
	}
	if !light {
		return nil, fmt.Errorf("cannot use the forecast: %w", ErrNoLight)
	}
	slices.SortFunc(out.Hours, func(a, b reading.ForecastHour) int { return a.Start.Compare(b.Start) })
	return out, nil
}

// spans reads one field in whichever of the three shapes it comes.
func (f Format) spans(doc any, field Field) ([]span, error) {
	if f.Series != "" {
		return f.series(doc, field)
	}
	values, ok := find(doc, field.Path).([]any)
	if !ok {
		return nil, fmt.Errorf("cannot read the forecast: no array at %q", field.Path)
	}
	if f.Times == "" {
		return grid(values, field)
	}
	times, ok := find(doc, f.Times).([]any)
	if !ok {
		return nil, fmt.Errorf("cannot read the forecast: no array at %q", f.Times)
	}
	if len(times) != len(values) {
		return nil, fmt.Errorf("cannot read the forecast: %d times but %d values at %q", len(times), len(values), field.Path)
	}
	return stamped(times, values, field)
}

// series gathers the times and values of an array of objects.
func (f Format) series(doc any, field Field) ([]span, error) {
	entries, ok := find(doc, f.Series).([]any)
	if !ok {
		return nil, fmt.Errorf("cannot read the forecast: no array at %q", f.Series)
	}
	times, values := make([]any, len(entries)), make([]any, len(entries))
	for i, e := range entries {
		times[i], values[i] = find(e, f.Times), find(e, field.Path)
	}
	return stamped(times, values, field)
}

// stamped turns times and values into spans. A step of more than an hour (the far end of
// many forecasts has steps of three or six) is one span.
func stamped(times, values []any, field Field) ([]span, error) {
	at := make([]time.Time, len(times))
	for i, t := range times {
		s, ok := t.(string)
		if n, isNum := t.(float64); isNum {
			at[i] = time.Unix(int64(n), 0).UTC()
			continue
		}
		var err error
		if at[i], err = parseTime(s); !ok || err != nil {
			return nil, fmt.Errorf("cannot read the forecast: time %d is %v", i, t)
		}
	}
	var out []span
	for i, v := range values {
		x, ok := v.(float64)
		if !ok {
			continue // null: not given
		}
		from, to, ok := field.bounds(at, i)
		if ok {
			out = append(out, span{from, to, x * field.scale()})
		}
	}
	return out, nil
}

// bounds is the span that the value at i stands for. A value that holds at a moment stands
// for the hour around it: half an hour to either side.
func (f Field) bounds(at []time.Time, i int) (from, to time.Time, ok bool) {
	step := time.Hour
	switch {
	case f.Stamp == End && i > 0:
		step = at[i].Sub(at[i-1])
	case f.Stamp != End && i+1 < len(at):
		step = at[i+1].Sub(at[i])
	case len(at) > 1:
		step = at[len(at)-1].Sub(at[len(at)-2])
	}
	if step <= 0 || step > 12*time.Hour {
		return from, to, false
	}
	switch f.Stamp {
	case End:
		return at[i].Add(-step), at[i], true
	case Instant:
		return at[i].Add(-min(step, time.Hour) / 2), at[i].Add(step - min(step, time.Hour)/2), true
	}
	return at[i], at[i].Add(step), true
}

// grid reads values that carry their own validity.
func grid(values []any, field Field) ([]span, error) {
	var out []span
	for i, v := range values {
		x, ok := find(v, "value").(float64)
		if !ok {
			continue
		}
		s, _ := find(v, "validTime").(string)
		from, to, err := parseInterval(s)
		if err != nil {
			return nil, fmt.Errorf("cannot read the forecast: value %d of %q: %w", i, field.Path, err)
		}
		out = append(out, span{from, to, x * field.scale()})
	}
	return out, nil
}

// hourly averages spans into whole hours, by how much of the hour each fills. Hours filled
// by less than half, and values outside what is possible, are left out.
func hourly(spans []span, lo, hi float64) map[int64]float64 {
	type sum struct{ x, w float64 }
	sums := map[int64]*sum{}
	for _, s := range spans {
		if math.IsNaN(s.x) || s.x < lo-1e-9 || s.x > hi+1e-9 || s.to.Sub(s.from) > longestDay {
			continue
		}
		for h := s.from.Truncate(time.Hour); h.Before(s.to); h = h.Add(time.Hour) {
			a, b := h, h.Add(time.Hour)
			if s.from.After(a) {
				a = s.from
			}
			if s.to.Before(b) {
				b = s.to
			}
			w := b.Sub(a).Hours()
			if sums[h.Unix()] == nil {
				sums[h.Unix()] = &sum{}
			}
			sums[h.Unix()].x += w * s.x
			sums[h.Unix()].w += w
		}
	}
	out := map[int64]float64{}
	for at, s := range sums {
		if s.w >= 0.49 {
			out[at] = s.x / s.w
		}
	}
	return out
}

// find walks keys with dots between; nil where there is nothing.
func find(doc any, path string) any {
	for key := range strings.SplitSeq(path, ".") {
		m, ok := doc.(map[string]any)
		if !ok {
			return nil
		}
		doc = m[key]
	}
	return doc
}
