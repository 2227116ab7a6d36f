package replay

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// Header is the first line of the estimates: charge with its 90 % band, then hours and
// chances for the cut-off and for the reserve.
func Header() []string {
	h := []string{"time", "soc", "soc_low", "soc_high"}
	for _, what := range []string{"cutoff", "reserve"} {
		for _, p := range []string{"p10", "p50", "p90"} {
			h = append(h, what+"_hours_"+p)
		}
		for _, within := range outlook.Withins() {
			h = append(h, fmt.Sprintf("%s_within_%dh", what, within))
		}
	}
	return h
}

// estimate is one line of the estimates. What is not known is empty.
func estimate(t time.Time, b battery.Belief, o outlook.Outlook, exact bool) []string {
	number := number
	if exact {
		number = whole
	}
	line := []string{t.UTC().Format(time.RFC3339), number(b.SoC), number(b.Low), number(b.High)}
	for _, w := range []outlook.Window{o.Cutoff, o.Reserve} {
		for _, hours := range []float64{w.P10, w.P50, w.P90} {
			if !o.Known() || hours > outlook.Horizon.Hours() {
				hours = math.NaN()
			}
			line = append(line, number(hours))
		}
		for _, chance := range w.Within {
			if !o.Known() {
				chance = math.NaN()
			}
			line = append(line, number(chance))
		}
	}
	return line
}

func number(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'f', 4, 64)
}

// whole prints all digits of a number.
func whole(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

// spaced looks at the first rows of a file to learn how far apart they stand.
type spaced struct {
	file  *Readings
	ahead []Row
	err   error
}

// spacing is the usual time between rows, 5 minutes when the file is too short to tell.
func (s *spaced) spacing() time.Duration {
	var gaps []time.Duration
	for len(s.ahead) < 100 && s.err == nil {
		row, err := s.file.Next()
		if err != nil {
			s.err = err
			break
		}
		if n := len(s.ahead); n > 0 {
			gaps = append(gaps, row.Time.Sub(s.ahead[n-1].Time))
		}
		s.ahead = append(s.ahead, row)
	}
	gaps = slices.DeleteFunc(gaps, func(d time.Duration) bool { return d <= 0 })
	if len(gaps) == 0 {
		return 5 * time.Minute
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

func (s *spaced) next() (Row, error) {
	if len(s.ahead) > 0 {
		row := s.ahead[0]
		s.ahead = s.ahead[1:]
		return row, nil
	}
	if s.err != nil {
		return Row{}, s.err
	}
	row, err := s.file.Next()
	if err != nil && !errors.Is(err, io.EOF) {
		s.err = err
	}
	return row, err
}
