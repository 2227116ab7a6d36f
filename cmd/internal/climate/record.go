package climate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"ebbwatch/estimator/sky"
)

// Record is what is kept: days or months of years past. It is plain data and marshals to JSON; 25
// years of days are some 200 kB.
type Record struct {
	Latitude, Longitude float64   // of the site it was asked for
	From                string    // from whom or from which file
	Got                 time.Time // when
	Unit                string    // that the irradiation was in
	Monthly             bool      // a row is a month's mean
	Rows                []Row
}

// Row is a day, or a month. Whole numbers keep it small; [Missing] stands where nothing is known.
type Row struct {
	Day  int   `json:"d"` // since 1970
	Sun  int16 `json:"s"` // kWh/m² a day, in hundredths
	Mean int16 `json:"m"` // °C, in tenths
	Low  int16 `json:"l"`
	High int16 `json:"h"`
}

// Missing is a value that the record does not have.
const Missing = math.MinInt16

// farthest is how far, in degrees, the place of an answer may lie from the site: the grids of such
// services are up to a degree wide.
const farthest = 0.75

// fewestYears of the irradiation make a normal that is better than a guess by latitude.
const fewestYears = 3

// Read makes a record of an answer. The error tells what is wrong with it and what to do.
func Read(body []byte, lat, lon, altitudeM float64) (*Record, error) {
	t, err := parse(body)
	if err != nil {
		return nil, fmt.Errorf("cannot read the climate: %w", err)
	}
	if math.Abs(t.lat-lat) > farthest || math.Abs(math.Remainder(t.lon-lon, 360)) > farthest {
		return nil, fmt.Errorf("cannot use the climate: it is of %.2f, %.2f, and the site is at %.2f, %.2f", t.lat, t.lon, lat, lon)
	}
	per, unit, err := t.unit(lat, altitudeM)
	if err != nil {
		return nil, fmt.Errorf("cannot use the climate: %w", err)
	}
	r := &Record{Latitude: lat, Longitude: lon, Unit: unit, Monthly: t.monthly}
	for at, x := range t.rows {
		by := per
		if unit == byMonth {
			by = float64(at.AddDate(0, 1, -1).Day())
		}
		r.Rows = append(r.Rows, Row{
			Day: int(at.Unix() / 86400), Sun: whole(100 * x[irradiation] / by),
			Mean: whole(10 * x[mean]), Low: whole(10 * x[low]), High: whole(10 * x[high]),
		})
	}
	slices.SortFunc(r.Rows, func(a, b Row) int { return a.Day - b.Day })
	return r, nil
}

func whole(x float64) int16 {
	if math.IsNaN(x) || math.Abs(x) > 32000 {
		return Missing
	}
	return int16(math.Round(x))
}

const byMonth = "kWh/m² a month"

// unit is the one in which the monthly means can be those of the latitude, and how much of it makes
// 1 kWh/m² a day. Of several it is the one nearest to the usual climate.
func (t *table) unit(lat, altitudeM float64) (per float64, name string, err error) {
	months, years, n := t.months(irradiation)
	if n == 0 {
		return 0, "", errors.New("it has no irradiation (a column such as ghi_kwh_m2)")
	}
	if years < fewestYears || slices.ContainsFunc(months, math.IsNaN) {
		return 0, "", fmt.Errorf("it holds %.1f years of irradiation; at least %d whole ones are needed", years, fewestYears)
	}
	best := math.Inf(1)
	for _, u := range [...]struct {
		name string
		per  float64
	}{{"kWh/m² a day", 1}, {"MJ/m² a day", 3.6}, {byMonth, 30.4}, {"W/m²", 1000.0 / 24}, {"Wh/m² a day", 1000}} {
		converted := make([]float64, 12)
		for i := range months {
			converted[i] = months[i] / u.per
		}
		if sky.CheckInsolation(converted, lat, altitudeM) != nil {
			continue
		}
		off := 0.0
		usual := sky.Usual(lat)
		given := sky.FromInsolation(converted, lat)
		for i := range usual.Kt {
			off += math.Abs(math.Log(given.Kt[i] / usual.Kt[i]))
		}
		if off < best {
			best, per, name = off, u.per, u.name
		}
	}
	if name == "" {
		return 0, "", fmt.Errorf("in no unit can its irradiation be that of the site: as kWh/m² a day, %w", sky.CheckInsolation(months, lat, altitudeM))
	}
	return per, name, nil
}

// months is the mean of a quantity by month, NaN where there is none, and how many years of it there are.
func (t *table) months(q quantity) (out []float64, years float64, n int) {
	var sum, count [12]float64
	for at, x := range t.rows {
		if !math.IsNaN(x[q]) {
			sum[at.Month()-1] += x[q]
			count[at.Month()-1]++
			n++
		}
	}
	for i := range sum {
		out = append(out, sum[i]/count[i])
	}
	if t.monthly {
		return out, float64(n) / 12, n
	}
	return out, float64(n) / 365.25, n
}

// Of tells whether the record is of a site.
func (r *Record) Of(lat, lon float64) bool {
	return r != nil && len(r.Rows) > 0 && math.Abs(r.Latitude-lat) < 0.1 && math.Abs(math.Remainder(r.Longitude-lon, 360)) < 0.1
}

// Insolation is the mean daily irradiation by month, kWh/m², as an owner would give it.
func (r *Record) Insolation() []float64 {
	var sum, n [12]float64
	for _, x := range r.Rows {
		if x.Sun != Missing {
			m := time.Unix(int64(x.Day)*86400, 0).UTC().Month() - 1
			sum[m] += float64(x.Sun) / 100
			n[m]++
		}
	}
	out := make([]float64, 12)
	for i := range out {
		out[i] = sum[i] / n[i]
	}
	return out
}

// Air is the normal course of the temperature; ok is false where the record has too few.
func (r *Record) Air() (a sky.Air, ok bool) {
	var days []time.Time
	var means []float64
	for _, x := range r.Rows {
		if x.Mean == Missing {
			continue
		}
		at := time.Unix(int64(x.Day)*86400, 0).UTC()
		if r.Monthly {
			at = at.AddDate(0, 0, 14)
		}
		days, means = append(days, at), append(means, float64(x.Mean)/10)
	}
	enough := fewestYears * 365
	if r.Monthly {
		enough = fewestYears * 12
	}
	if len(days) < enough {
		return a, false
	}
	return sky.FitAir(days, means, r.Latitude), true
}

// Words say what the record is, for people.
func (r *Record) Words() string {
	first, last := time.Unix(int64(r.Rows[0].Day)*86400, 0).UTC(), time.Unix(int64(r.Rows[len(r.Rows)-1].Day)*86400, 0).UTC()
	what, temperatures := "days", 0
	if r.Monthly {
		what = "monthly means"
	}
	for _, x := range r.Rows {
		if x.Mean != Missing {
			temperatures++
		}
	}
	return fmt.Sprintf("%d %s of sun, %d of temperature, %d to %d, from %s (irradiation read as %s)",
		len(r.Rows), what, temperatures, first.Year(), last.Year(), r.From, r.Unit)
}
