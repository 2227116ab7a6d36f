package cause

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

// invented is a record in which everything that can be known is, at random. What real
// silences come to is held against a simulated node in the tests of the look back.
func invented(dice *rand.Rand) Record {
	r := Blank()
	v := reflect.ValueOf(&r).Elem()
	for i := range v.NumField() {
		switch f := v.Field(i).Addr().Interface().(type) {
		case *float64:
			*f = []float64{0, 0.1, 0.3, 0.5, 0.9, 1.2, 5, 9}[dice.IntN(8)]
		case *Truth:
			*f = Truth(dice.IntN(3))
		}
	}
	r.Start = time.Date(2026, 1, 5, dice.IntN(24), 0, 0, 0, time.UTC)
	r.Now = r.Start.Add(time.Duration(1+dice.IntN(200)) * time.Hour)
	if dice.IntN(2) == 0 {
		r.End = r.Now
	}
	return r
}

// TestChancesAddUp: whatever is known, the chances are a distribution, what is named leads,
// has enough of it and evidence for it, and nothing unknown is shown as a number.
func TestChancesAddUp(t *testing.T) {
	t.Parallel()
	dice := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		v := Judge(invented(dice))
		sum := 0.0
		for _, g := range v.Ladder {
			sum += g.Chance
		}
		if math.Abs(sum-1) > 1e-9 || len(v.Ladder) != causes {
			t.Fatalf("%d causes, the chances add up to %g", len(v.Ladder), sum)
		}
		if top := v.Ladder[0]; v.Cause != CannotTell && (v.Cause != top.Cause || top.Chance < enough || len(top.For) == 0) {
			t.Fatalf("%s is named: %+v", v.Cause, top)
		}
		text := v.String()
		if strings.Contains(text, "NaN") || strings.Contains(text, "%!") {
			t.Fatalf("what is not known is shown:\n%s", text)
		}
		if len(v.Bring) > 0 && !strings.Contains(text, "Care:") {
			t.Fatalf("whoever goes is not told to take care:\n%s", text)
		}
		if data, err := json.Marshal(v); err != nil || !strings.Contains(string(data), `"cause":"`+string(v.Cause)+`"`) {
			t.Fatalf("%v %s", err, data)
		}
	}
}

// TestForgettingMakesUnsure: a record of which nothing is left names no cause, and one that
// knows less is on average less sure.
func TestForgettingMakesUnsure(t *testing.T) {
	t.Parallel()
	dice := rand.New(rand.NewPCG(3, 4))
	forget := func(r Record, share float64) Record {
		v, blank := reflect.ValueOf(&r).Elem(), reflect.ValueOf(Blank())
		for i := range v.NumField() {
			if _, isTime := v.Field(i).Interface().(time.Time); !isTime && dice.Float64() < share {
				v.Field(i).Set(blank.Field(i))
			}
		}
		return r
	}
	var sure [3]float64
	for range 500 {
		r := invented(dice)
		for i, share := range []float64{0, 0.5, 1} {
			v := Judge(forget(r, share))
			sure[i] += v.Ladder[0].Chance
			if share == 1 && v.Cause != CannotTell {
				t.Fatalf("%s out of nothing: %+v", v.Cause, v.Ladder[0])
			}
		}
	}
	if sure[0] < sure[1] || sure[1] < sure[2] {
		t.Errorf("the more is forgotten the surer: %v", sure)
	}
}

// TestMissingIsNamed: two causes that nothing known tells apart come with what would.
func TestMissingIsNamed(t *testing.T) {
	t.Parallel()
	r := Blank()
	r.Start = time.Date(2026, 1, 5, 4, 0, 0, 0, time.UTC)
	r.Now = r.Start.Add(30 * time.Hour)
	r.Volts, r.CutoffVolts, r.SoC, r.HarvestRatio = 11.6, 11.6, 0.05, 0.1
	v := Judge(r)
	if v.Cause != CannotTell || !slices.ContainsFunc(v.Missing, func(s string) bool { return strings.Contains(s, "voltage in light") }) ||
		!strings.Contains(v.String(), "What would tell: ") {
		t.Errorf("%s, missing %q", v.Cause, v.Missing)
	}
}

// TestRunningOnRulesOut: a board that ran through had power all the time, however low its
// battery was.
func TestRunningOnRulesOut(t *testing.T) {
	t.Parallel()
	dice := rand.New(rand.NewPCG(5, 6))
	for range 500 {
		r := invented(dice)
		r.RanThrough, r.LoadOff, r.ClockStep = Yes, No, 0
		if v := Judge(r); slices.Contains([]Cause{Power, Cutoff, Snow, Creep, Lockout, Cold, Heat, NoCharge}, v.Cause) {
			t.Fatalf("%s, though the board ran: %+v", v.Cause, v.Ladder[0])
		}
	}
}

func TestTruthText(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]Truth{"": Unknown, "no": No, "yes": Yes} {
		var got Truth
		if err := got.UnmarshalText([]byte(text)); err != nil || got != want {
			t.Errorf("%q is read as %v, %v", text, got, err)
		}
	}
	var x Truth
	if err := x.UnmarshalText([]byte("maybe")); err == nil {
		t.Error("maybe is taken")
	}
	if Of(false, true) != Unknown || Of(true, true) != Yes || Of(true, false) != No {
		t.Error("Of")
	}
}

// A node that said that it would go dark, and was back with the sun.
func ExampleJudge() {
	r := Blank()
	r.Start = time.Date(2026, 1, 15, 4, 20, 0, 0, time.UTC)
	r.End = time.Date(2026, 1, 15, 11, 5, 0, 0, time.UTC)
	r.SoC, r.SoCLow, r.SoCHigh, r.Volts, r.CutoffVolts = 0.06, 0.02, 0.11, 11.7, 11.6
	r.Chance24, r.Chance72, r.SameBoot, r.ColdC, r.LoadRatio = 0.82, 0.9, No, 4.5, 1.01
	r.HarvestRatio, r.SkyRatio, r.PanelRatio, r.SunUp, r.SunUpAfter = 0.15, 0.9, 1, No, Yes
	v := Judge(r)
	fmt.Println(v.Sentence())
	for _, f := range v.Ladder[0].For {
		fmt.Println("for", f)
	}
	// Output:
	// Most likely (97 %): cut-off, there was too little sun, and the load was cut off.
	// for the last voltage was 11.70 V; the controller cuts off at 11.60 V
	// for the battery was low: 6 %
	// for the outlook had said so: within a day with a chance of 82 %
	// for the panel gave 15 % of the usual, and the forecast sky no more
}
