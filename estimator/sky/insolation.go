package sky

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ebbwatch/estimator/sun"
)

// The bounds of a month's mean clearness index. Above most is no place on Earth, whatever the
// model of a clear sky; below least is none either: the darkest winters of lowland basins have
// 0.15 (both from world maps of long-term means; common practice). Where less than sunless kWh/m²
// a day come from above the air, the clearness says little.
const (
	leastKt, mostKt = 0.08, 0.80
	clearError      = 1.08 // by which a month of clear days may exceed [sun.Clear], at most
	sunless         = 0.2
)

// CheckInsolation refuses monthly means of the daily irradiation, kWh/m² from January to
// December, that cannot be those of the latitude and the altitude: more than a cloudless sky
// gives, or less than any place has. The error names the first month of which that is so, and,
// where another unit or the other hemisphere's order would make all twelve plausible, says that.
func CheckInsolation(monthly []float64, lat, altitudeM float64) error {
	i := impossibleMonth(monthly, lat, altitudeM)
	if i < 0 {
		return nil
	}
	month, low, high := time.Month(i+1), leastKt*top(i, lat), clearLimit(i, lat, altitudeM)
	what := fmt.Sprintf("%s: %.4g is more than %.2f kWh/m² a day, what the cloudless sky gives at latitude %.4g", month, monthly[i], high, lat)
	if monthly[i] < low {
		what = fmt.Sprintf("%s: %.4g is less than %.2f kWh/m² a day, what the dullest places get at latitude %.4g", month, monthly[i], low, lat)
	}
	if mend := likelyMistake(monthly, lat, altitudeM); mend != "" {
		what += "; " + mend
	}
	return errors.New(what)
}

func top(month int, lat float64) float64 { return sun.DailyExtraterrestrial(midMonth()[month], lat) }

// clearLimit is the most that a month's mean may be, kWh/m² a day.
func clearLimit(month int, lat, altitudeM float64) float64 {
	return top(month, lat) * min(mostKt, clearError*sun.ClearIndex(midMonth()[month], lat, altitudeM))
}

// impossibleMonth is the first month that cannot be, -1 for none.
func impossibleMonth(monthly []float64, lat, altitudeM float64) int {
	for i, x := range monthly {
		most := max(clearLimit(i, lat, altitudeM), sunless*mostKt)
		if t := top(i, lat); x > most || t > sunless && x < leastKt*t {
			return i
		}
	}
	return -1
}

// likelyMistake is what makes all months plausible, as a mend; empty where nothing does. Of
// several units it is the one that comes nearest to the usual climate of the latitude.
func likelyMistake(monthly []float64, lat, altitudeM float64) string {
	var turned [12]float64
	for i, x := range monthly {
		turned[(i+6)%12] = x
	}
	if impossibleMonth(turned[:], lat, altitudeM) < 0 {
		return fmt.Sprintf("they would fit latitude %.4g: is its sign right (south is negative), and does the list begin with January?", -lat)
	}
	best, mend := math.Inf(1), ""
	for _, u := range [...]struct {
		name string
		per  float64 // of it make 1 kWh/m² a day
	}{{"MJ/m² a day", 3.6}, {"kWh/m² a month", 30.4}, {"W/m², the mean over day and night", 1000.0 / 24}, {"Wh/m² a day", 1000}} {
		var converted [12]float64
		off := 0.0
		for i, x := range monthly {
			converted[i] = x / u.per
			off += math.Abs(math.Log(max(converted[i], 1e-3) / max(Usual(lat).Kt[i]*top(i, lat), 0.05)))
		}
		if off < best && impossibleMonth(converted[:], lat, altitudeM) < 0 {
			best = off
			mend = fmt.Sprintf("they look like %s: divide each by %.4g", u.name, u.per)
		}
	}
	return mend
}
