package decode

import (
	"encoding"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode"

	"go.yaml.in/yaml/v3"
)

// tooLarge is a number that its type cannot hold. The limits of a tag word it better.
type tooLarge struct{ text string }

func (t tooLarge) Error() string { return t.text }

// misplaced reports a value of the wrong shape.
func (s *Section) misplaced(n *yaml.Node, sl slot, want string) {
	at := sl.at
	if n.Kind == yaml.ScalarNode {
		at = n
	}
	s.add(at, "%s%s stands where %s belongs%s", sl.label(), sl.show(n), want, sl.hint())
}

// wrong reports a plain value that cannot be.
func (s *Section) wrong(n *yaml.Node, sl slot, format string, args ...any) {
	s.add(n, "%s%s %s%s", sl.label(), sl.show(n), fmt.Sprintf(format, args...), sl.hint())
}

// label is how a message about the value begins; the file as a whole has none.
func (sl slot) label() string {
	if sl.key == "" {
		return ""
	}
	return sl.key + ": "
}

func (sl slot) hint() string {
	if sl.rule.hint == "" {
		return ""
	}
	return " (" + sl.rule.hint + ")"
}

// show says what stands in the file, without giving a secret away.
func (sl slot) show(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.Kind == yaml.MappingNode:
		return "a section"
	case sl.rule.secret:
		return "the value (not shown)"
	}
	text := n.Value
	if runes := []rune(text); len(runes) > 40 {
		text = string(runes[:40]) + "…"
	}
	if quoted(n) || n.ShortTag() == "!!str" && strings.Trim(text[:min(1, len(text))], "+-.0123456789") != "" {
		return strconv.Quote(text)
	}
	return text
}

// quoted tells a value that the file marks as text.
func quoted(n *yaml.Node) bool {
	return n.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle|yaml.TaggedStyle) != 0
}

func (s *Section) fillText(n *yaml.Node, v reflect.Value, sl slot) {
	if n.Kind != yaml.ScalarNode {
		s.misplaced(n, sl, "a single value")
		return
	}
	err := v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(n.Value))
	switch {
	case err != nil && sl.rule.secret:
		s.wrong(n, sl, "cannot be used")
	case err != nil:
		s.add(n, "%s%s%s", sl.label(), err, sl.hint())
	}
}

// fillScalar decodes a plain value, by its type and the limits of its tags.
func (s *Section) fillScalar(n *yaml.Node, v reflect.Value, sl slot) {
	want, parse := scalarType(v)
	if n.Kind != yaml.ScalarNode {
		s.misplaced(n, sl, want)
		return
	}
	if v.Kind() != reflect.String && v.Type() != reflect.TypeFor[time.Duration]() && quoted(n) {
		s.wrong(n, sl, "is text: %s is written without quotes", want)
		return
	}
	err := parse(n.Value, v)
	if _, large := errors.AsType[tooLarge](err); large && sl.rule.limits != "" {
		err = fmt.Errorf("is outside %s", sl.rule.limits)
	}
	if err != nil {
		s.wrong(n, sl, "%s", err)
		return
	}
	if err := errors.Join(within(v, sl.rule), textLength(v, sl.rule)); err != nil {
		s.wrong(n, sl, "%s", err)
		return
	}
	if sl.rule.isPath {
		v.SetString(s.load.resolve(v.String()))
	}
}

// scalarType says what people call the type of v, and how to read it from text. The errors
// of the reader follow the value in a message: "is not a whole number".
func scalarType(v reflect.Value) (string, func(string, reflect.Value) error) {
	switch {
	case v.Type() == reflect.TypeFor[time.Duration]():
		return "a duration such as 10s", setDuration
	case v.Kind() == reflect.String:
		return "text", func(text string, v reflect.Value) error { v.SetString(text); return nil }
	case v.Kind() == reflect.Bool:
		return "true or false", setBool
	case v.CanInt():
		return "a whole number", setInt
	case v.CanUint():
		return "a whole number", setUint
	case v.CanFloat():
		return "a number", setFloat
	}
	return v.Type().String(), func(string, reflect.Value) error {
		return fmt.Errorf("cannot be decoded into the type %s", v.Type())
	}
}

func setBool(text string, v reflect.Value) error {
	if text != "true" && text != "false" {
		return errors.New("is neither true nor false")
	}
	v.SetBool(text == "true")
	return nil
}

func setInt(text string, v reflect.Value) error {
	if err := plainWhole(text); err != nil {
		return err
	}
	x, err := strconv.ParseInt(text, 0, 64)
	if errors.Is(err, strconv.ErrRange) || err == nil && v.OverflowInt(x) {
		return tooLarge{"is too large a number"}
	}
	if err != nil {
		return errors.New("is not a whole number")
	}
	v.SetInt(x)
	return nil
}

func setUint(text string, v reflect.Value) error {
	if err := plainWhole(text); err != nil {
		return err
	}
	if strings.HasPrefix(text, "-") {
		return errors.New("is below 0")
	}
	x, err := strconv.ParseUint(strings.TrimPrefix(text, "+"), 0, 64)
	if errors.Is(err, strconv.ErrRange) || err == nil && v.OverflowUint(x) {
		return tooLarge{fmt.Sprintf("is outside 0..%d", uint64(1)<<v.Type().Bits()-1)}
	}
	if err != nil {
		return errors.New("is not a whole number")
	}
	v.SetUint(x)
	return nil
}

// plainWhole refuses what readers of whole numbers disagree about: 010 is eight to some.
func plainWhole(text string) error {
	digits := strings.TrimLeft(text, "+-")
	if len(digits) > 1 && digits[0] == '0' && unicode.IsDigit(rune(digits[1])) {
		return errors.New("begins with a zero: write it without, or as 0x for hexadecimal")
	}
	return nil
}

func setFloat(text string, v reflect.Value) error {
	x, err := strconv.ParseFloat(text, v.Type().Bits())
	if whole, intErr := strconv.ParseInt(text, 0, 64); err != nil && intErr == nil {
		x, err = float64(whole), nil // 0x10
	}
	switch {
	case strings.Contains(text, ",") && err != nil:
		return errors.New("is not a number: the decimal sign is a point")
	case errors.Is(err, strconv.ErrRange):
		return tooLarge{"is too large a number"}
	case err != nil || math.IsNaN(x) || math.IsInf(x, 0):
		return errors.New("is not a number")
	}
	v.SetFloat(x)
	return nil
}

func setDuration(text string, v reflect.Value) error {
	d, err := parseDuration(text)
	if err != nil {
		if _, number := strconv.ParseFloat(text, 64); number == nil {
			return errors.New("has no unit: write it such as " + text + "s")
		}
		return errors.New("is not a duration such as 10s, 5m, 1h30m or 2d")
	}
	v.SetInt(int64(d))
	return nil
}

// parseDuration reads Go's notation with days in front: 1d12h.
func parseDuration(text string) (time.Duration, error) {
	days, rest, found := strings.Cut(text, "d")
	if !found {
		return time.ParseDuration(text)
	}
	n, err := strconv.ParseFloat(days, 64)
	if err != nil || math.IsNaN(n) || math.Abs(n) > 36500 {
		return 0, errors.New("not a number of days")
	}
	d := time.Duration(n * 24 * float64(time.Hour))
	if rest == "" {
		return d, nil
	}
	more, err := time.ParseDuration(rest)
	return d + more, err
}
