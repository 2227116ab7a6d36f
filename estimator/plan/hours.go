package plan

import (
	"math"
	"slices"
	"strconv"
	"strings"
)

// hourly sums a file of hours, such as a typical year; false where the text is none. Two
// shapes are known, from memory of their public documentation:
//
//   - EPW: a first line LOCATION, then lines of year, month, day, hour, minute, flags, dry bulb
//     (°C, seventh) and, fourteenth, global horizontal radiation, Wh/m² in the hour;
//   - CSV with a column time(UTC), such as 20070131:0010, and G(h), W/m², and perhaps T2m.
//
// A month counts where two thirds of its hours are there.
func (g *gather) hourly(text string) bool {
	var y yearOfHours
	var time, ghi, air int
	kind := ""
	for line := range strings.Lines(text) {
		cells := strings.Split(strings.TrimSpace(line), string(separator(line)))
		switch {
		case kind == "" && strings.EqualFold(cells[0], "LOCATION"):
			kind = "epw"
		case kind == "" && slices.Contains(cells, "time(UTC)") && slices.Contains(cells, "G(h)"):
			kind = "csv"
			time, ghi, air = slices.Index(cells, "time(UTC)"), slices.Index(cells, "G(h)"), slices.Index(cells, "T2m")
		case kind == "epw" && len(cells) > 13:
			if month, err := strconv.Atoi(cells[1]); err == nil {
				y.add(month, parseNumber(cells[13]), parseNumber(cells[6]))
			}
		case kind == "csv" && len(cells) > max(time, ghi, air) && len(cells[time]) > 6:
			if month, err := strconv.Atoi(cells[time][4:6]); err == nil {
				celsius := math.NaN()
				if air >= 0 {
					celsius = parseNumber(cells[air])
				}
				y.add(month, parseNumber(cells[ghi]), celsius)
			}
		}
	}
	for m := range 12 {
		if y.hours[m] >= 480 {
			g.put("ghi_kwh_m2_day", m, y.wh[m]/y.hours[m]*24/1000)
			g.put("t_mean_c", m, y.celsius[m]/y.warm[m])
		}
	}
	return kind != ""
}

// yearOfHours sums hours by month.
type yearOfHours struct{ wh, hours, celsius, warm [12]float64 }

func (y *yearOfHours) add(month int, wh, celsius float64) {
	if month < 1 || month > 12 {
		return
	}
	if wh >= 0 && wh < 2000 { // 9999 stands for missing
		y.wh[month-1], y.hours[month-1] = y.wh[month-1]+wh, y.hours[month-1]+1
	}
	if celsius > -90 && celsius < 70 { // 99.9 stands for missing
		y.celsius[month-1], y.warm[month-1] = y.celsius[month-1]+celsius, y.warm[month-1]+1
	}
}
