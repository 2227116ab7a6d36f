package alert

import (
	"math"
	"testing"
	"time"
)

// TestOverASpan holds averages, ends and changes against sums by hand, in a state that goes
// through JSON at each step.
func TestOverASpan(t *testing.T) {
	t.Parallel()
	var past []float64
	rules := map[string]func(last []float64) float64{
		"avg":    func(last []float64) float64 { return sum(last) / float64(len(last)) },
		"min":    func(last []float64) float64 { return -highest(last, -1) },
		"max":    func(last []float64) float64 { return highest(last, 1) },
		"change": func(last []float64) float64 { return last[len(last)-1] - last[0] },
	}
	var list []Rule
	for name := range rules {
		list = append(list, Rule{Name: name, Rungs: []Rung{{Severity: Info, When: MustExpr(name + "(battery_celsius, 2h) > 1000"), Text: `{{number "` + name + `(battery_celsius,2h0m0s)"}}`}}})
	}
	d := newDrill(t, list...)
	for i := range 600 {
		x := 10 + 8*math.Sin(float64(i)/40) + 0.02*float64(i)
		d.set("battery_celsius", x)
		past = append(past, x)
		d.step(time.Minute)
		last := past[max(0, len(past)-121):]
		get := d.e.facts(&d.s, d.get)
		for name, by := range rules {
			got, known := get(name + "(battery_celsius,2h0m0s)")
			if want := by(last); known != (i >= 56) && (i < 50 || i > 62) || known && i > 125 && math.Abs(got-want) > 0.7 {
				t.Fatalf("minute %d: %s is %g, %v; by hand %g", i, name, got, known, want)
			}
		}
	}
	d.set("battery_celsius", nil)
	for range 70 {
		d.step(time.Minute)
	}
	if _, known := d.e.facts(&d.s, d.get)("avg(battery_celsius,2h0m0s)"); known {
		t.Error("an hour after the last reading the average of two hours is still known")
	}
	d.e.Rules = nil
	if d.step(time.Minute); len(d.s.Series) > 0 {
		t.Error("what nobody asks for is remembered")
	}
}

func sum(list []float64) (x float64) {
	for _, y := range list {
		x += y
	}
	return x
}

func highest(list []float64, sign float64) float64 {
	x := math.Inf(-1)
	for _, y := range list {
		x = max(x, sign*y)
	}
	return x
}

// TestHourAndWeekday: a rule may ask what time it is at the node, where the clock is right.
func TestHourAndWeekday(t *testing.T) {
	t.Parallel()
	d := newDrill(t, Rule{Name: "work", Rungs: []Rung{{Severity: Info, When: MustExpr("hour >= 9 and hour < 17 and weekday <= 5"), Title: "x"}}}).at("09:00")
	d.want(d.run(40*time.Hour), "") // Saturday and Sunday
	got := d.run(24 * time.Hour)
	d.want(got, "raised work, cleared work")
	if from, to := got[0].At.In(d.e.Zone), got[1].At.In(d.e.Zone); from.Format("Mon 15:04") != "Mon 09:00" || to.Format("Mon 15:04") != "Mon 17:00" {
		t.Errorf("it held from %s to %s", from, to)
	}
	d = newDrill(t, d.e.Rules...).set("clock_trusted", 0)
	d.want(d.run(72*time.Hour), "")
}

// TestFactsOfTexts: what the texts ask for is known to the check, and words are no facts.
func TestFactsOfTexts(t *testing.T) {
	t.Parallel()
	c := Config{Rules: []RuleConfig{{Name: "x", RungFields: RungFields{
		When: MustExpr("avg(pv_watts, 3h) < 2"), Title: "{{site}}: {{percent `one`}}", Text: `{{if gt (fact "two") 0.5}}{{window "three" "four/*"}}{{say "words"}}{{end}} "five"`,
	}}}}
	var got []string
	for _, u := range c.Uses() {
		got = append(got, u.Fact)
	}
	if want := "pv_watts one two three four/*"; join(got) != want {
		t.Errorf("got %q, want %q", join(got), want)
	}
}

func join(list []string) (s string) {
	for i, x := range list {
		if i > 0 {
			s += " "
		}
		s += x
	}
	return s
}
