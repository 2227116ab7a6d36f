package cause

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

// forget blanks a share of what a record holds.
func forget(r Record, share float64, dice *rand.Rand) Record {
	v := reflect.ValueOf(&r).Elem()
	for i := range v.NumField() {
		if dice.Float64() >= share {
			continue
		}
		switch f := v.Field(i).Addr().Interface().(type) {
		case *float64:
			*f = math.NaN()
		case *Truth:
			*f = Unknown
		}
	}
	return r
}

// TestForgettingMakesUnsureNotWrong blanks a part of every record many times: what is not
// known may leave the question open, and hardly ever points elsewhere.
func TestForgettingMakesUnsureNotWrong(t *testing.T) {
	t.Parallel()
	dice := rand.New(rand.NewPCG(3, 4))
	for _, share := range []float64{0.1, 0.3, 0.5} {
		right, open, wrong := 0, 0, 0
		for _, o := range library(t) {
			for range 50 {
				switch got := Judge(forget(o.Rec, share, dice)).Cause; {
				case got == CannotTell && o.Cause != CannotTell:
					open++
				case got == o.Cause || slices.Contains(o.Also, got):
					right++
				default:
					wrong++
				}
			}
		}
		all := right + open + wrong
		t.Logf("%.0f %% forgotten: of %d, %d right, %d cannot tell, %d wrong", 100*share, all, right, open, wrong)
		if wrong*100 > 15*all {
			t.Errorf("with %.0f %% forgotten, %d of %d are wrong", 100*share, wrong, all)
		}
	}
}

// TestNothingKnown: an empty record names nothing, and renders.
func TestNothingKnown(t *testing.T) {
	t.Parallel()
	r := Blank()
	r.Start = time.Date(2026, 1, 5, 17, 0, 0, 0, time.UTC)
	r.Now = r.Start.Add(9 * time.Hour)
	v := Judge(r)
	if v.Cause != CannotTell {
		t.Errorf("%s out of nothing: %+v", v.Cause, v.Ladder[0])
	}
	if text := v.String(); strings.Contains(text, "NaN") || !strings.Contains(text, "cannot be told") {
		t.Errorf("text:\n%s", text)
	}
}

// TestText: nothing unknown is shown as a number, every verdict renders with evidence for
// its cause, and whoever goes is told what to bring and to take care.
func TestText(t *testing.T) {
	t.Parallel()
	for _, o := range library(t) {
		v := Judge(o.Rec)
		text := v.String()
		if strings.Contains(text, "NaN") || strings.Contains(text, "%!") {
			t.Errorf("%s shows what is not known:\n%s", o.Name, text)
		}
		if v.Cause != CannotTell && (v.Ladder[0].Cause != v.Cause || len(v.Ladder[0].For) == 0) {
			t.Errorf("%s: %s without evidence", o.Name, v.Cause)
		}
		if len(v.Ladder) != len(Causes()) {
			t.Errorf("%s: %d rungs", o.Name, len(v.Ladder))
		}
		if data, err := json.Marshal(v); err != nil || !strings.Contains(string(data), `"cause":"`+string(v.Cause)+`"`) {
			t.Errorf("%s: %v %s", o.Name, err, data)
		}
		if !v.Record.Over() && (!strings.Contains(text, "If you go, bring ") || !strings.Contains(text, "Care:")) {
			t.Errorf("%s: whoever goes is told neither what to bring nor to take care:\n%s", o.Name, text)
		}
	}
}

// TestRunningOnRulesOut: a board that ran through had power all the time, however low its
// battery was.
func TestRunningOnRulesOut(t *testing.T) {
	t.Parallel()
	for _, o := range library(t) {
		o.Rec.RanThrough, o.Rec.ClockStep = Yes, math.NaN()
		for _, g := range Judge(o.Rec).Ladder {
			if slices.Contains([]Cause{Power, Cutoff, Creep, Lockout, Cold, Heat}, g.Cause) && !g.Excluded {
				t.Errorf("%s: %s is not ruled out", o.Name, g.Cause)
			}
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

// TestOnlyTheDaemonStopped: a hole in the record of a board that ran on is no outage.
func TestOnlyTheDaemonStopped(t *testing.T) {
	t.Parallel()
	for _, o := range library(t) {
		o.Rec.Stopped, o.Rec.ClockStep = Yes, math.NaN()
		v := Judge(o.Rec)
		if v.Cause != CannotTell || len(v.Bring) != 0 || !strings.Contains(v.String(), "only ebbwatch itself was stopped") {
			t.Errorf("%s: %s, bring %v", o.Name, v.Cause, v.Bring)
		}
	}
}
