package alert

import (
	"errors"
	"math"
	"strings"
	"testing"
)

func some(name string) (float64, bool) {
	x, known := map[string]float64{
		"zero": 0, "one": 1, "two": 2, "cold": -4, "nan": math.NaN(),
		"peer_up/gate": 1, "peer_up/slip-2.a": 0, "charge_state": 5,
	}[name]
	return x, known
}

func TestExpr(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		src  string
		want Truth
	}{
		{"one > 0", True},
		{"one < zero", False},
		{"what > 0", Unknown},
		{"nan > 0", Unknown},
		{"one", True},
		{"not zero", True},
		{"not what", Unknown},
		{"one > 0 and zero > 0", False},
		{"zero > 0 and what > 0", False}, // one side decides
		{"what > 0 and zero > 0", False},
		{"one > 0 or what > 0", True},
		{"zero > 0 or what > 0", Unknown},
		{"one > 0 and what > 0", Unknown},
		{"zero and what or one", True},
		{"one or zero and zero", True}, // and binds more than or
		{"(one or zero) and zero", False},
		{"not one == 1 or one", True},
		{"not (one == 1 or one)", False},
		{"1 + 2 * 3 == 7", True},
		{"(1 + 2) * 3 == 9", True},
		{"6 - 2 - 1 == 3", True},
		{"12 / 2 / 3 == 2", True},
		{"-cold == 4", True},
		{"-2 * -3 == 6", True},
		{"abs(cold) >= 4", True},
		{"max(cold, two) == 2 and min(cold, two) == cold", True},
		{"one / zero > 1", Unknown},
		{"30% == 0.3", True},
		{"known(one) and not known(what) and not known(nan)", True},
		{"peer_up/gate == 1", True},
		{"peer_up/slip-2.a == 1", False},
		{"peer_up/* == 1", True},
		{"one / two == 0.5", True},
		{"charge_state == fault", True},
		{"charge_state != bulk", True},
		{"one > 0 and\n\ttwo > 1", True},
	} {
		e, err := ParseExpr(row.src)
		if err != nil {
			t.Errorf("%s: %v", row.src, err)
			continue
		}
		if got := e.Eval(Lookup(some).ForInstance("gate")); got != row.want {
			t.Errorf("%s is %v, want %v", row.src, got, row.want)
		}
		if e.String() != row.src {
			t.Errorf("%q became %q", row.src, e)
		}
	}
	if got := (Expr{}).Eval(some); got != Unknown {
		t.Errorf("no condition is %v", got)
	}
}

func TestExprMistakes(t *testing.T) {
	t.Parallel()
	for src, want := range map[string]string{
		"":                             "column 1: a fact or a number is missing here",
		"one >":                        "column 6: a fact or a number is missing here",
		"one > 1 and":                  "column 12: a fact or a number is missing here",
		"and one":                      "column 1: a fact or a number is missing here",
		"one > 1 two":                  `column 9: "two" does not belong here`,
		"(one > 1":                     `column 9: ")" is missing here`,
		"one > 1)":                     `column 8: ")" does not belong here`,
		"one = 1":                      `column 5: "=" means nothing in a condition`,
		"one & two":                    `column 5: "&" means nothing in a condition`,
		"grün > 1":                     `column 3: "ü" means nothing in a condition`,
		"1.2.3 < one":                  `column 1: "1.2.3" is not a number`,
		"one + 1":                      "column 5: a comparison is wanted here, not a number",
		"5":                            "column 1: a comparison is wanted here, not a number",
		"one > 1 > 2":                  `column 5: a number is wanted here, not ">"`,
		"(one > 1) + 2 > 1":            `column 6: a number is wanted here, not ">"`,
		"one > 1 and 2":                "column 13: a comparison is wanted here, not a number",
		"not 2":                        "column 5: a comparison is wanted here, not a number",
		"sqrt(one) > 1":                "column 1: there is no function sqrt; there are abs, min, max and known, and avg, min, max and change of a fact over a span such as avg(battery_celsius, 1h)",
		"max(one) > 1":                 "column 8: max takes 2 values, with commas between",
		"abs(one, two) > 1":            `column 8: ")" is missing here`,
		"known(one > 1)":               `column 11: a number is wanted here, not ">"`,
		"-(one > 1) > 2":               `column 7: a number is wanted here, not ">"`,
		strings.Repeat("(", 200) + "1": "column 101: too deeply nested",
	} {
		_, err := ParseExpr(src)
		if err == nil || err.Error() != want {
			t.Errorf("%q: got %v, want %s", src, err, want)
		}
	}
}

func TestNames(t *testing.T) {
	t.Parallel()
	e := MustExpr("one > 1 and max(two, one) < peer_up/* + 3")
	var got []string
	for _, n := range e.Names() {
		got = append(got, n.Fact)
		if !strings.HasPrefix(e.String()[n.Column-1:], n.Fact) {
			t.Errorf("%s is not at column %d", n.Fact, n.Column)
		}
	}
	if s := strings.Join(got, " "); s != "one two peer_up/*" {
		t.Errorf("the names are %s", s)
	}
}

// FuzzParseExpr: no text crashes the reader, a mistake lies within the text, and what was
// read can be asked.
func FuzzParseExpr(f *testing.F) {
	for _, r := range Builtin() {
		for _, g := range r.Rungs {
			f.Add(g.When.String())
		}
	}
	f.Add("not (a/b > -1% or known(c/*))")
	f.Fuzz(func(t *testing.T, src string) {
		e, err := ParseExpr(src)
		if err != nil {
			if wrong := (*ParseError)(nil); !errors.As(err, &wrong) || wrong.Column < 1 || wrong.Column > len(src)+1 {
				t.Fatalf("%q: %v", src, err)
			}
			return
		}
		e.Eval(some)
		e.Names()
	})
}
