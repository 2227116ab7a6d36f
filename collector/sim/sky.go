package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

// Air is the weather at one moment.
type Air struct {
	GHI     float64 // global irradiance on level ground, W/m²
	Celsius float64
}

// Sky gives the weather at any moment. The same moment always has the same weather.
type Sky interface {
	At(t time.Time) Air
}

// Day is the weather of one day, as weather services publish it. A temperature that is not
// known is NaN.
type Day struct {
	Date              time.Time // midnight UTC; stands for the day at the site by the sun
	GHI               float64   // global irradiation on level ground, kWh/m²
	MeanC, MinC, MaxC float64
}

// slotsPerDay is how finely a day's light is made.
const (
	slot        = 5 * time.Minute
	slotsPerDay = int(24 * time.Hour / slot)
)

// Weather makes days of light and temperature out of daily sums: the clear-sky shape, times
// clouds that come and go and keep the day's sum. It holds the days last asked for, so it is
// not safe for use by several goroutines at once.
type Weather struct {
	lat, lon float64
	seed     uint64
	first    int // number of the first day
	days     []Day
	tables   [2]dayTable
}

type dayTable struct {
	number int
	made   bool
	ghi    [slotsPerDay + 1]float64
}

// NewWeather makes weather from daily data in order of date. Days left out take the
// clearness and temperature of the day before; before the first and after the last day the
// nearest one holds. The seed decides when in a day the clouds pass.
func NewWeather(lat, lon float64, days []Day, seed uint64) *Weather {
	w := &Weather{lat: lat, lon: lon, seed: seed}
	if len(days) == 0 {
		return w
	}
	w.first = dayNumber(days[0].Date)
	last := dayNumber(days[len(days)-1].Date)
	w.days = make([]Day, last-w.first+1)
	known := make([]bool, len(w.days))
	for _, d := range days {
		if i := dayNumber(d.Date) - w.first; i >= 0 && i < len(w.days) {
			w.days[i], known[i] = d.complete(), true
		}
	}
	for i := range w.days {
		if !known[i] {
			w.days[i] = w.like(w.days[i-1], w.first+i)
		} else if math.IsNaN(w.days[i].MeanC) {
			w.days[i].borrowTemperature(w.days[max(i-1, 0)])
		}
	}
	return w
}

// complete fills in what a day leaves out of its temperatures.
func (d Day) complete() Day {
	if math.IsNaN(d.MeanC) {
		return d
	}
	if math.IsNaN(d.MinC) {
		d.MinC = d.MeanC - 3
	}
	if math.IsNaN(d.MaxC) {
		d.MaxC = d.MeanC + 3
	}
	return d
}

func (d *Day) borrowTemperature(from Day) {
	d.MeanC, d.MinC, d.MaxC = from.MeanC, from.MinC, from.MaxC
	if math.IsNaN(d.MeanC) {
		d.MeanC, d.MinC, d.MaxC = 10, 7, 13
	}
}

// like is the day of that number with the clearness and temperature of d.
func (w *Weather) like(d Day, number int) Day {
	was, is := clearDay(w.lat, w.lon, dayNumber(d.Date)), clearDay(w.lat, w.lon, number)
	d.Date = time.Unix(int64(number)*86400, 0).UTC()
	if was > 0 {
		d.GHI *= is / was
	}
	return d
}

// day has the temperatures of a day, whether or not it is one of those given.
func (w *Weather) day(number int) Day {
	if len(w.days) == 0 {
		return Day{MeanC: 10, MinC: 7, MaxC: 13}
	}
	return w.days[min(max(number-w.first, 0), len(w.days)-1)]
}

// irradiation of a day, kWh/m².
func (w *Weather) irradiation(number int) float64 {
	if len(w.days) == 0 {
		return clearDay(w.lat, w.lon, number) * 0.5
	}
	d := w.day(number)
	if dayNumber(d.Date) != number {
		d = w.like(d, number)
	}
	return d.GHI
}

// At is the weather at t.
func (w *Weather) At(t time.Time) Air {
	solar := float64(t.UnixMilli())/1000 + w.lon/15*3600
	number := int(math.Floor(solar / 86400))
	within := solar - float64(number)*86400
	pos := within / slot.Seconds()
	i := min(int(pos), slotsPerDay-1)
	frac := pos - float64(i)
	tab := w.table(number)
	return Air{
		GHI:     tab.ghi[i]*(1-frac) + tab.ghi[i+1]*frac,
		Celsius: w.celsius(number, within/86400),
	}
}

// celsius swings between the day's least and greatest, coldest at three in the morning by
// the sun and warmest at three in the afternoon, and glides from day to day.
func (w *Weather) celsius(number int, within float64) float64 {
	a, b, share := w.day(number), w.day(number+1), within-0.5
	if share < 0 {
		a, b, share = w.day(number-1), w.day(number), within+0.5
	}
	mean := a.MeanC*(1-share) + b.MeanC*share
	swing := (a.MaxC-a.MinC)*(1-share) + (b.MaxC-b.MinC)*share
	return mean + swing/2*math.Cos(2*math.Pi*(within-15.0/24))
}

func (w *Weather) table(number int) *dayTable {
	tab := &w.tables[number&1]
	if !tab.made || tab.number != number {
		w.fill(tab, number)
	}
	return tab
}

// fill makes the light of one day. Cloud is a threshold on two autocorrelated noises, a slow
// and a quick one; the threshold is moved until the day's sum is right, so that a day
// half-way is broken cloud and days near either end are even.
func (w *Weather) fill(tab *dayTable, number int) {
	tab.number, tab.made = number, true
	var clear, noise [slotsPerDay + 1]float64
	total := 0.0
	for i := range clear {
		clear[i] = clearAt(w.lat, w.lon, number, i)
		total += clear[i]
	}
	sum := total * slot.Hours() / 1000
	if sum <= 0 {
		tab.ghi = clear
		return
	}
	ratio := w.irradiation(number) / sum
	rng := rand.New(rand.NewPCG(w.seed, uint64(number)))
	cloudNoise(&noise, rng)
	lowest, highest := min(0.06, 0.6*ratio), max(1.04, 1.02*ratio)
	sharp := 1 + 3*rng.Float64()
	at := func(z, threshold float64) float64 {
		return lowest + (highest-lowest)/(1+math.Exp(-sharp*(z-threshold)))
	}
	lo, hi := -12.0, 12.0
	for range 24 {
		mid, got := (lo+hi)/2, 0.0
		for i, c := range clear {
			if c > 0 {
				got += c * at(noise[i], mid)
			}
		}
		if got > ratio*total {
			lo = mid
		} else {
			hi = mid
		}
	}
	for i, c := range clear {
		tab.ghi[i] = c * at(noise[i], (lo+hi)/2)
	}
}

// cloudNoise fills z with unit noise that remembers itself for two hours in part and for a
// quarter of an hour in part.
func cloudNoise(z *[slotsPerDay + 1]float64, rng *rand.Rand) {
	const keepSlow, keepQuick = 0.959, 0.717 // exp(-5/120), exp(-5/15)
	slow, quick := rng.NormFloat64(), rng.NormFloat64()
	for i := range z {
		slow = keepSlow*slow + math.Sqrt(1-keepSlow*keepSlow)*rng.NormFloat64()
		quick = keepQuick*quick + math.Sqrt(1-keepQuick*keepQuick)*rng.NormFloat64()
		z[i] = 0.8*slow + 0.6*quick
	}
}

// Story makes days from a script: for each day the share of a cloudless day's light, and a
// mean temperature for all. A repeat of the last day follows.
func Story(lat, lon float64, start time.Time, clearness []float64, meanC float64) []Day {
	first := dayNumber(start)
	days := make([]Day, len(clearness))
	for i, c := range clearness {
		days[i] = Day{
			Date: time.Unix(int64(first+i)*86400, 0).UTC(),
			GHI:  c * clearDay(lat, lon, first+i),
			// A clear day swings more than a grey one.
			MeanC: meanC, MinC: meanC - 1 - 4*c, MaxC: meanC + 1 + 4*c,
		}
	}
	return days
}

// clearDay is the irradiation of a cloudless day, kWh/m².
func clearDay(lat, lon float64, number int) float64 {
	total := 0.0
	for i := range slotsPerDay + 1 {
		total += clearAt(lat, lon, number, i)
	}
	return total * slot.Hours() / 1000
}

func clearAt(lat, lon float64, number, i int) float64 {
	sec := float64(number)*86400 + float64(i)*slot.Seconds() - lon/15*3600
	sun, distance := sunAt(time.UnixMilli(int64(sec*1000)), lat, lon)
	return clearSky(sun.u, distance)
}

func dayNumber(t time.Time) int { return int(math.Floor(float64(t.Unix()) / 86400)) }
