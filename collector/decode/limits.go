package decode

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ebbwatch/collector/reading"
)

// within holds a value against the limits of its tags.
func within(v reflect.Value, r rule) error {
	if len(r.oneOf) > 0 {
		if text := fmt.Sprint(v.Interface()); !slices.Contains(r.oneOf, text) {
			return fmt.Errorf("is not one of %s%s", strings.Join(r.oneOf, ", "), reading.DidYouMean(text, r.oneOf))
		}
	}
	if r.limits == "" {
		return nil
	}
	return inRange(v, r.limits)
}

// textLength holds the characters of a text against the tag len.
func textLength(v reflect.Value, r rule) error {
	if v.Kind() != reflect.String || r.length == "" {
		return nil
	}
	n := utf8.RuneCountInString(v.String())
	if n == 0 && inRange(reflect.ValueOf(0), lengths(r.length)) != nil {
		return errors.New("is empty")
	}
	if inRange(reflect.ValueOf(n), lengths(r.length)) == nil {
		return nil
	}
	return fmt.Errorf("has %d characters, %s are needed", n, entries(r.length))
}

// lengths makes 12 the range 12..12.
func lengths(length string) string {
	if strings.Contains(length, "..") {
		return length
	}
	return length + ".." + length
}

func inRange(v reflect.Value, limits string) error {
	low, high, ok := strings.Cut(limits, "..")
	if !ok {
		return fmt.Errorf("has limits %q that cannot be read", limits)
	}
	x := number(v)
	min, errLow := bound(v, low, math.Inf(-1))
	max, errHigh := bound(v, high, math.Inf(1))
	switch {
	case errLow != nil || errHigh != nil:
		return fmt.Errorf("has limits %q that cannot be read", limits)
	case x >= min && x <= max:
		return nil
	case high == "":
		return fmt.Errorf("is below %s", low)
	case low == "":
		return fmt.Errorf("is above %s", high)
	}
	return fmt.Errorf("is outside %s", limits)
}

func number(v reflect.Value) float64 {
	switch {
	case v.CanInt():
		return float64(v.Int())
	case v.CanUint():
		return float64(v.Uint())
	case v.CanFloat():
		return v.Float()
	}
	return math.NaN()
}

// bound reads one end of a range in the type of v; an end left out is open.
func bound(v reflect.Value, text string, open float64) (float64, error) {
	if text == "" {
		return open, nil
	}
	if v.Type() == reflect.TypeFor[time.Duration]() {
		d, err := parseDuration(text)
		return float64(d), err
	}
	if whole, err := strconv.ParseInt(text, 0, 64); err == nil {
		return float64(whole), nil
	}
	return strconv.ParseFloat(text, 64)
}

// checkLength holds the number of entries against the tag len.
func (s *Section) checkLength(n int, sl slot) {
	if sl.rule.length == "" {
		return
	}
	if err := inRange(reflect.ValueOf(n), lengths(sl.rule.length)); err != nil {
		s.add(sl.at, "%s has %d entries, %s are needed%s", sl.path, n, entries(sl.rule.length), sl.hint())
	}
}

// entries words a length: 12, 1 to 32, at least 1, at most 32.
func entries(length string) string {
	low, high, ranged := strings.Cut(length, "..")
	switch {
	case !ranged:
		return length
	case high == "":
		return "at least " + low
	case low == "":
		return "at most " + high
	}
	return low + " to " + high
}
