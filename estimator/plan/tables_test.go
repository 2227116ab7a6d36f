package plan

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

func sameMonths(t *testing.T, got []float64, want ...float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d months, want %d", len(got), len(want))
	}
	for i := range want {
		if math.Abs(got[i]-want[i]) > 0.006 {
			t.Errorf("month %d is %.4f, want %.4f", i+1, got[i], want[i])
		}
	}
}

// The shapes are those of public radiation databases; the numbers are invented.
func TestMonthlyTables(t *testing.T) {
	t.Parallel()
	sun := []float64{0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5}
	air := []float64{2, 3, 5, 9, 13, 16, 18, 17, 14, 10, 6, 3}
	months := []string{"JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"}
	long := []float64{31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}
	byName := func(x []float64, scale float64) string {
		var parts []string
		for i, m := range months {
			parts = append(parts, fmt.Sprintf("%q:%.4f", m, x[i]*scale))
		}
		return "{" + strings.Join(parts, ",") + `,"ANN":9}`
	}
	var records, rows, hand []string
	wide := [2]string{"ALLSKY_SFC_SW_DWN", "T2M"}
	for i := range 12 {
		for year := 2005; year < 2007; year++ {
			off := float64(year)*2 - 4011 // the years differ, their mean does not
			records = append(records, fmt.Sprintf(`{"year":%d,"month":%d,"H(h)_m":%.4f,"T2m":%.2f}`, year, i+1, (sun[i]+0.1*off)*long[i], air[i]+off))
			rows = append(rows, fmt.Sprintf("%d\t\t%s\t\t%.4f\t\t%.2f", year, months[i][:1]+strings.ToLower(months[i][1:]), (sun[i]+0.1*off)*long[i], air[i]+off))
		}
		hand = append(hand, fmt.Sprintf("%d,%.2f,%.1f", i+1, sun[i], air[i]))
		wide[0] += fmt.Sprintf(",%.3f", sun[i])
		wide[1] += fmt.Sprintf(",%.3f", air[i])
	}
	for name, data := range map[string]string{
		"by parameter":    `{"properties":{"parameter":{"ALLSKY_SFC_SW_DWN":` + byName(sun, 1) + `,"T2M":` + byName(air, 1) + `}},"parameters":{"T2M":{"units":"C"}}}`,
		"in megajoules":   `{"properties":{"parameter":{"ALLSKY_SFC_SW_DWN":` + byName(sun, 3.6) + `,"T2M":` + byName(air, 1) + `}},"parameters":{"ALLSKY_SFC_SW_DWN":{"units":"MJ/m^2/day"}}}`,
		"records":         `{"inputs":{"location":{"latitude":52}},"outputs":{"monthly":[` + strings.Join(records, ",") + `]}}`,
		"tabs":            "Latitude (decimal degrees):\t52.000\n\nyear\t\tmonth\t\tH(h)_m\t\tT2m\n" + strings.Join(rows, "\n") + "\n\nH(h)_m: irradiation\n",
		"months as heads": "-BEGIN HEADER-\nwhere and when\n-END HEADER-\nPARAMETER," + strings.Join(months, ",") + ",ANN\n" + wide[0] + ",2.8\n" + wide[1] + ",9\n",
		"decimal commas":  "\ufeffmonth;ghi_kwh_m2_day;t_mean_c\r\n" + strings.ReplaceAll(strings.ReplaceAll(strings.Join(hand, "\r\n"), ",", ";"), ".", ","),
		"quoted commas":   "month,ghi_kwh_m2_day,t_mean_c\n" + quoted(hand),
		"an EPW file":     epw(sun, air),
		"hours":           hoursCSV(sun, air),
		"by hand":         "month,ghi_kwh_m2_day,t_mean_c\n" + strings.Join(hand, "\n"),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m, err := ParseMonthly([]byte(data))
			if err != nil {
				t.Fatal(err)
			}
			sameMonths(t, m.Sun, sun...)
			sameMonths(t, m.Air, air...)
		})
	}
}

// quoted writes numbers as "0,60".
func quoted(rows []string) string {
	var out []string
	for _, r := range rows {
		c := strings.Split(r, ",")
		out = append(out, fmt.Sprintf(`%s,"%s","%s"`, c[0], strings.Replace(c[1], ".", ",", 1), strings.Replace(c[2], ".", ",", 1)))
	}
	return strings.Join(out, "\n")
}

// eachHour calls f for every hour of a year, with what a day of the month has spread over
// twelve hours.
func eachHour(sun, air []float64, f func(t time.Time, wh, celsius float64)) {
	for t := time.Date(2007, 1, 1, 0, 0, 0, 0, time.UTC); t.Year() == 2007; t = t.Add(time.Hour) {
		m, wh := t.Month()-1, 0.0
		if t.Hour() >= 6 && t.Hour() < 18 {
			wh = sun[m] * 1000 / 12
		}
		f(t, wh, air[m])
	}
}

func epw(sun, air []float64) string {
	var b strings.Builder
	b.WriteString("LOCATION,slipway,-,-,TMY,0,52.75,6.57,1,12\nDESIGN CONDITIONS,0\nDATA PERIODS,1,1,Data,Sunday,1/1,12/31\n")
	eachHour(sun, air, func(t time.Time, wh, celsius float64) {
		fmt.Fprintf(&b, "2007,%d,%d,%d,60,?9?9,%.2f,1,80,101000,0,0,300,%.3f,0,0\n", t.Month(), t.Day(), t.Hour()+1, celsius, wh)
	})
	return b.String()
}

func hoursCSV(sun, air []float64) string {
	var b strings.Builder
	b.WriteString("Latitude (decimal degrees): 52.750\nmonth,year\n1,2007\n2,2009\ntime(UTC),T2m,RH,G(h),Gb(n)\n")
	eachHour(sun, air, func(t time.Time, wh, celsius float64) {
		fmt.Fprintf(&b, "%s,%.2f,80,%.3f,0\n", t.Format("20060102:1504"), celsius, wh)
	})
	return b.String() + "T2m: 2-m air temperature\n"
}

func TestMonthlyTablesThatAreNone(t *testing.T) {
	t.Parallel()
	for data, want := range map[string]string{
		"":                                   "no monthly table",
		"hello":                              "no monthly table",
		`{"a":1`:                             "cannot read the table",
		`{"month":3}`:                        "no monthly table",
		"month,ghi_kwh_m2_day\n1,0.5\n2,1.1": "no monthly table",
		"month,ghi_kwh_m2_day\n1,0,5\n2,1,1": "line 2 has 3 cells and its head has 2: where a comma stands for the point, put semicolons between the cells",
		"date,ghi_kwh_m2\n2014-01-30,0.5\n":  "it holds single days; name it as measured",
		"month,ghi_kwh_m2_day\n" + func() string {
			s := ""
			for i := range 12 {
				s += fmt.Sprintf("%d,80\n", i+1)
			}
			return s
		}(): "outside 0 to 12",
	} {
		if _, err := ParseMonthly([]byte(data)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.30q: %v, want %q", data, err, want)
		}
	}
}

func FuzzParseMonthly(f *testing.F) {
	f.Add([]byte("month,ghi_kwh_m2_day\n1,0.5\n"))
	f.Add([]byte(`{"month":1,"H(h)_m":2}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := ParseMonthly(data)
		if err == nil && len(m.Sun) != 12 {
			t.Errorf("%d months without an error", len(m.Sun))
		}
	})
}

func TestMeasuredRecord(t *testing.T) {
	t.Parallel()
	days, err := ParseDays(strings.NewReader("cloud,date,ghi_kwh_m2,t_mean_c\n1,2014-01-30,0.5,2.1\n,2014-01-31,,3\n,2014-02-02,1.25,\n"), "days.csv")
	if err != nil {
		t.Fatal(err)
	}
	if len(days) != 2 || days[0].GHI != 0.5 || days[0].Celsius != 2.1 || !math.IsNaN(days[1].Celsius) || days[1].Date.Day() != 2 {
		t.Errorf("read %+v", days)
	}
	other, err := ParseDays(strings.NewReader("\ufeffdate;ghi_kwh_m2;t_mean_c\r\n2014-01-30;0,5;2,1\r\n2014-02-02;1,25;\r\n"), "days.csv")
	if err != nil || len(other) != 2 || other[0] != days[0] || other[1].GHI != 1.25 {
		t.Errorf("with semicolons and decimal commas %+v, %v", other, err)
	}
	for data, want := range map[string]string{
		"date,sun\n2014-01-30,1\n":                      "days.csv:1: the columns date and ghi_kwh_m2 are needed",
		"date,ghi_kwh_m2\n30.1.2014,1\n":                `days.csv:2: "30.1.2014" is not a date`,
		"date,ghi_kwh_m2\n2014-01-30,-1\n":              "days.csv:2: \"-1\" is not a day's irradiation",
		"date,ghi_kwh_m2\n2014-01-30,1\n2014-01-30,1\n": "days.csv:3: 2014-01-30 is not later",
		"date,ghi_kwh_m2,t_mean_c\n2014-01-30,1,99\n":   "days.csv:2: \"99\" is not an air temperature",
		"": "cannot read days.csv",
		"date,ghi_kwh_m2\n2014-01-30,1,2\n2014-01-31,1,3\n": "cannot read days.csv",
	} {
		if _, err := ParseDays(strings.NewReader(data), "days.csv"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", data, err, want)
		}
	}
}

// Days that alternate by 4.24 K about their mean have the usual spread.
func TestAirSpread(t *testing.T) {
	t.Parallel()
	var days []Day
	for d := range 1200 {
		days = append(days, Day{Date: time.Date(2010, 1, 1+d, 0, 0, 0, 0, time.UTC), Celsius: 3 + usualWinter*float64(1-2*(d%2))})
	}
	for _, south := range []bool{false, true} {
		if x := AirSpread(days, south); math.Abs(x-1) > 0.01 {
			t.Errorf("south %v: %.3f, want 1", south, x)
		}
	}
	if x := AirSpread(days[:300], false); x != 0 {
		t.Errorf("too few days give %.3f", x)
	}
}

// Measured days come to their place in the plan's year, and bad years are left out.
func TestMeasuredYears(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	var days []Day
	start := y.kit.begins().AddDate(9, 0, 0) // July 2010
	for d := range 800 {
		if d > 400 && d < 430 {
			continue
		}
		days = append(days, Day{Date: start.AddDate(0, 0, d).Truncate(24 * 3600e9), GHI: 1 + float64(d%3), Celsius: math.NaN()})
	}
	years, left := y.Measured(days, 1)
	if len(years) != 1 || left != 2 || years[0].Name != "2010/11" {
		t.Fatalf("%d years, %d left out: %+v", len(years), left, years[0].Name)
	}
	// 1 July 2010 is day 0, 1 January 2011 is day 184.
	if g := years[0].GHI[0]; math.Abs(float64(g)-1) > 0.02 {
		t.Errorf("1 July has %.3f kWh/m², want 1", g)
	}
	if g := years[0].GHI[184]; math.Abs(float64(g)-1-184%3) > 0.02 {
		t.Errorf("1 January has %.3f kWh/m², want %d", g, 1+184%3)
	}
}
