package plan

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Monthly is a table of long-term means by month, as public radiation databases publish
// them.
type Monthly struct {
	Sun []float64 // on the horizontal, kWh/m² a day; twelve
	Air []float64 // °C; empty when the table has none
}

var errNoTable = errors.New("it holds no monthly table of the sun that is known here")

// ParseMonthly finds the monthly means in a file of a public radiation database. Four shapes
// are known, by the words of the published formats:
//
//   - JSON, an object of the twelve months JAN to DEC below a parameter ALLSKY_SFC_SW_DWN
//     (and T2M), in kWh or MJ per m² and day;
//   - JSON, a list of records with month and H(h)_m (kWh/m² in the month) or H(h)_d (a day),
//     and T2m, for one or for many years;
//   - CSV with a head line that names the months, and a line for each of those parameters;
//   - CSV with a column month and one of those, or ghi_kwh_m2_day and t_mean_c, which is
//     also what to write by hand.
//
// Lines before the head of a CSV are skipped; cells lie between semicolons, tabs or commas, and
// between the first two a comma may stand in a number for the point. Files of hours are summed:
// see hours. The shapes are from memory of the databases' public documentation.
func ParseMonthly(data []byte) (Monthly, error) {
	g := &gather{}
	data = bytes.TrimPrefix(data, byteOrderMark())
	if g.hourly(string(data)) {
		return g.table()
	}
	if trimmed := strings.TrimSpace(string(data)); strings.HasPrefix(trimmed, "{") || strings.HasPrefix(trimmed, "[") {
		var tree any
		if err := json.Unmarshal(data, &tree); err != nil {
			return Monthly{}, fmt.Errorf("cannot read the table: %w", err)
		}
		g.mega = strings.Contains(trimmed, "MJ/m^2") || strings.Contains(trimmed, "MJ m-2")
		g.walk("", tree)
	} else {
		g.mega = strings.Contains(trimmed, "MJ/m^2") || strings.Contains(trimmed, "MJ m-2")
		g.lines(trimmed)
	}
	if g.wrong != nil {
		return Monthly{}, fmt.Errorf("cannot use the table: %w", g.wrong)
	}
	m, err := g.table()
	if errors.Is(err, errNoTable) && dayTable(data) {
		return m, errors.New("cannot use the table: it holds single days; name it as measured in the section plan, with the columns date and ghi_kwh_m2")
	}
	return m, err
}

// byteOrderMark is what some programs put before a text.
func byteOrderMark() []byte { return []byte("\ufeff") }

// dayTable tells whether a file is one of days.
func dayTable(data []byte) bool {
	for line := range strings.Lines(string(data)) {
		cells := split(line, separator(line))
		if slices.ContainsFunc(cells, func(c string) bool { return strings.EqualFold(c, "date") }) {
			return true
		}
	}
	return false
}

// gather sums what is found by month.
type gather struct {
	sun, sunN [12]float64
	air, airN [12]float64
	mega      bool // megajoules
	wrong     error
}

func (g *gather) table() (Monthly, error) {
	var m Monthly
	known := 0
	for i := range 12 {
		if g.sunN[i] == 0 {
			return Monthly{}, fmt.Errorf("cannot use the table: %w", errNoTable)
		}
		x := g.sun[i] / g.sunN[i]
		if g.mega {
			x /= 3.6
		}
		if x < 0 || x > 12 {
			return Monthly{}, fmt.Errorf("cannot use the table: month %d has %.4g kWh/m² a day, outside 0 to 12", i+1, x)
		}
		m.Sun = append(m.Sun, x)
		if g.airN[i] > 0 {
			known++
			m.Air = append(m.Air, g.air[i]/g.airN[i])
		}
	}
	if known != 12 {
		m.Air = nil
	}
	return m, nil
}

// kind sorts a word of the published formats: the sun or the air, and whether it is the sum
// of the month.
func kind(word string) (sun, air, whole bool) {
	switch strings.ToLower(strings.TrimSpace(word)) {
	case "allsky_sfc_sw_dwn", "h(h)_d", "ghi_kwh_m2_day", "ghi_kwh_m2":
		return true, false, false
	case "h(h)_m":
		return true, false, true
	case "t2m", "t_mean_c", "air_celsius":
		return false, true, false
	}
	return false, false, false
}

func (g *gather) put(word string, month int, x float64) {
	sun, air, whole := kind(word)
	if month < 0 || month > 11 || math.IsNaN(x) || x <= -900 { // -999 stands for missing
		return
	}
	if whole {
		x /= []float64{31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}[month]
	}
	if sun {
		g.sun[month], g.sunN[month] = g.sun[month]+x, g.sunN[month]+1
	}
	if air {
		g.air[month], g.airN[month] = g.air[month]+x, g.airN[month]+1
	}
}

func monthNames() []string {
	return []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}
}

// walk goes through a JSON tree.
func (g *gather) walk(key string, node any) {
	switch v := node.(type) {
	case []any:
		for _, x := range v {
			g.walk(key, x)
		}
	case map[string]any:
		if month, ok := v["month"].(float64); ok {
			for word, x := range v {
				if x, ok := x.(float64); ok {
					g.put(word, int(month)-1, x)
				}
			}
			return
		}
		for word, x := range v {
			if x, ok := x.(float64); ok {
				g.put(key, slices.Index(monthNames(), strings.ToLower(word)), x)
				continue
			}
			g.walk(word, x)
		}
	}
}

// lines goes through a table of lines: the head is the first line that names a month column
// or the months themselves.
func (g *gather) lines(text string) {
	var head []string
	months, at := map[int]int{}, -1
	var between rune
	n := 0
	for line := range strings.Lines(text) {
		n++
		if head == nil {
			between = separator(line)
		}
		cells := split(line, between)
		if head == nil {
			for i, c := range cells {
				if m := slices.Index(monthNames(), strings.ToLower(c)); m >= 0 {
					months[i] = m
				} else if strings.EqualFold(c, "month") {
					at = i
				}
			}
			if len(months) == 12 || at >= 0 {
				head = cells
			} else {
				months = map[int]int{}
			}
			continue
		}
		if between == ',' && len(cells) > len(head) && g.wrong == nil && numbers(cells) {
			g.wrong = fmt.Errorf("line %d has %d cells and its head has %d: where a comma stands for the point, put semicolons between the cells", n, len(cells), len(head))
		}
		g.line(head, cells, months, at)
	}
}

// numbers tells whether all cells but the first are numbers.
func numbers(cells []string) bool {
	return len(cells) > 1 && !slices.ContainsFunc(cells[1:], func(c string) bool { return math.IsNaN(parseNumber(c)) })
}

func (g *gather) line(head, cells []string, months map[int]int, at int) {
	if at < 0 {
		for i, m := range months {
			if i < len(cells) {
				g.put(cells[0], m, parseNumber(cells[i]))
			}
		}
		return
	}
	if at >= len(cells) {
		return
	}
	month := slices.Index(monthNames(), strings.ToLower(cells[at]))
	if n, err := strconv.Atoi(cells[at]); err == nil {
		month = n - 1
	}
	for i := range min(len(head), len(cells)) {
		g.put(head[i], month, parseNumber(cells[i]))
	}
}

func parseNumber(s string) float64 {
	x, err := strconv.ParseFloat(point(s), 64)
	if err != nil {
		return math.NaN()
	}
	return x
}

// point puts a point where a comma stands for it: in a cell there is no other use of one.
func point(s string) string {
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		return strings.Replace(s, ",", ".", 1)
	}
	return s
}

// separator is what lies between the cells of a line: semicolons or tabs where there are any.
func separator(line string) rune {
	for _, r := range []rune{';', '\t'} {
		if strings.ContainsRune(line, r) {
			return r
		}
	}
	return ','
}

// split cuts a line into its cells; empty ones are left out, since tables are also spaced by
// several tabs, unless the cells may be quoted.
func split(line string, between rune) []string {
	if between == ',' && strings.Contains(line, `"`) {
		if cells, err := csv.NewReader(strings.NewReader(line)).Read(); err == nil {
			return cells
		}
	}
	cells := strings.FieldsFunc(line, func(r rune) bool { return r == between || r == '\n' || r == '\r' })
	for i := range cells {
		cells[i] = strings.Trim(strings.TrimSpace(cells[i]), `"`)
	}
	return cells
}

// ParseDays reads a measured record: CSV with a head that has the columns date (such as
// 2014-01-31) and ghi_kwh_m2 (the day's global irradiation on the horizontal), and perhaps
// t_mean_c (the day's mean air temperature). Other columns are left alone, and days may be
// missing. Where semicolons lie between the cells, a comma may stand for the point. name is
// the file, for what is wrong.
func ParseDays(r io.Reader, name string) ([]Day, error) {
	text := bufio.NewReader(r)
	if mark, err := text.Peek(3); err == nil && bytes.Equal(mark, byteOrderMark()) {
		_, _ = text.Discard(3) // they were peeked at
	}
	rows := csv.NewReader(text)
	rows.ReuseRecord = true
	if first, _ := text.Peek(512); bytes.ContainsRune(bytes.SplitN(first, []byte("\n"), 2)[0], ';') {
		rows.Comma = ';'
	}
	head, err := rows.Read()
	if err != nil {
		return nil, fmt.Errorf("cannot read %s: %w", name, err)
	}
	date, ghi, air := slices.Index(head, "date"), slices.Index(head, "ghi_kwh_m2"), slices.Index(head, "t_mean_c")
	if date < 0 || ghi < 0 {
		return nil, fmt.Errorf("cannot read %s:1: the columns date and ghi_kwh_m2 are needed", name)
	}
	var days []Day
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return days, nil
		}
		if err != nil {
			return nil, fmt.Errorf("cannot read %s: %w", name, err)
		}
		day, known, err := parseDay(row, date, ghi, air)
		if line, _ := rows.FieldPos(0); err != nil {
			return nil, fmt.Errorf("cannot read %s:%d: %w", name, line, err)
		} else if known && len(days) > 0 && !day.Date.After(days[len(days)-1].Date) {
			return nil, fmt.Errorf("cannot read %s:%d: %s is not later than the day before it", name, line, day.Date.Format(time.DateOnly))
		}
		if known {
			days = append(days, day)
		}
	}
}

// parseDay reads one row; a day without its sun is a missing day.
func parseDay(row []string, date, ghi, air int) (d Day, known bool, err error) {
	if d.Date, err = time.Parse(time.DateOnly, row[date]); err != nil {
		return d, false, fmt.Errorf("%q is not a date such as 2014-01-31", row[date])
	}
	if row[ghi] == "" {
		return d, false, nil
	}
	if d.GHI, err = strconv.ParseFloat(point(row[ghi]), 64); err != nil || d.GHI < 0 || d.GHI > 15 {
		return d, false, fmt.Errorf("%q is not a day's irradiation, 0 to 15 kWh/m²", row[ghi])
	}
	d.Celsius = math.NaN()
	if air >= 0 && row[air] != "" {
		if d.Celsius, err = strconv.ParseFloat(point(row[air]), 64); err != nil || d.Celsius < -80 || d.Celsius > 60 {
			return d, false, fmt.Errorf("%q is not an air temperature, -80 to 60 °C", row[air])
		}
	}
	return d, true, nil
}

// Means are the monthly means of a record; a month without a day is 0, and air is empty
// unless every month has some.
func Means(days []Day) Monthly {
	g := &gather{}
	for _, d := range days {
		m := int(d.Date.Month()) - 1
		g.put("ghi_kwh_m2_day", m, d.GHI)
		g.put("t_mean_c", m, d.Celsius)
	}
	table, err := g.table()
	if err != nil {
		return Monthly{}
	}
	return table
}

// usualWinter is the standard deviation of winter days about their month's mean at the
// station that the drawn temperatures were fitted to, K.
const usualWinter = 4.24

// AirSpread is how far the winter days of a record differ from their month's mean, against
// the usual; 0 where it has fewer than 200 such days with a temperature. south is for the
// southern half of the world.
func AirSpread(days []Day, south bool) float64 {
	var sum, square, n [12]float64
	for _, d := range days {
		if !math.IsNaN(d.Celsius) {
			m := d.Date.Month() - 1
			sum[m], square[m], n[m] = sum[m]+d.Celsius, square[m]+d.Celsius*d.Celsius, n[m]+1
		}
	}
	winter := []int{11, 0, 1}
	if south {
		winter = []int{5, 6, 7}
	}
	total, count := 0.0, 0.0
	for _, m := range winter {
		if n[m] > 1 {
			total += square[m] - sum[m]*sum[m]/n[m]
			count += n[m]
		}
	}
	if count < 200 {
		return 0
	}
	return math.Sqrt(total/count) / usualWinter
}
