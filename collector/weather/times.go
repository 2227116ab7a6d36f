package weather

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// parseTime reads the ISO 8601 times that services give; without an offset it is universal
// time.
func parseTime(s string) (time.Time, error) {
	for _, layout := range [...]string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02T15:04Z07:00"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t.UTC(), nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time such as 2021-06-18T05:00:00Z", s)
}

// parseInterval reads a time and a length: 2021-06-18T05:00:00+00:00/PT2H.
func parseInterval(s string) (from, to time.Time, err error) {
	start, length, ok := strings.Cut(s, "/")
	if !ok {
		return from, to, fmt.Errorf("%q is no time and length such as 2021-06-18T05:00:00Z/PT2H", s)
	}
	if from, err = parseTime(start); err != nil {
		return from, to, err
	}
	d, err := parseLength(length)
	if err != nil {
		return from, to, err
	}
	return from, from.Add(d), nil
}

// parseLength reads an ISO 8601 length of days, hours and minutes: PT2H, P1DT6H, P7DT22H.
func parseLength(s string) (time.Duration, error) {
	bad := fmt.Errorf("%q is no length such as PT2H or P1DT6H", s)
	rest, ok := strings.CutPrefix(s, "P")
	if !ok || rest == "" {
		return 0, bad
	}
	days, clock, _ := strings.Cut(rest, "T")
	var sum time.Duration
	for _, part := range []struct {
		text  string
		units map[byte]time.Duration
	}{
		{days, map[byte]time.Duration{'W': 7 * 24 * time.Hour, 'D': 24 * time.Hour}},
		{clock, map[byte]time.Duration{'H': time.Hour, 'M': time.Minute, 'S': time.Second}},
	} {
		for t := part.text; t != ""; {
			i := strings.IndexFunc(t, func(r rune) bool { return r < '0' || r > '9' })
			if i <= 0 {
				return 0, bad
			}
			n, err := strconv.Atoi(t[:i])
			unit := part.units[t[i]]
			if err != nil || unit == 0 || n > 10000 {
				return 0, bad
			}
			sum += time.Duration(n) * unit
			t = t[i+1:]
		}
	}
	if sum <= 0 {
		return 0, bad
	}
	return sum, nil
}
