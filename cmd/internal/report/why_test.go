package report_test

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/report"
)

// Every outage of the library must be judged as the person who knows the story does, with
// evidence, and with "cannot tell" where the record cannot.
func TestWhy(t *testing.T) {
	t.Parallel()
	all := outages()
	if len(all) < 30 {
		t.Fatalf("the library holds %d outages", len(all))
	}
	for _, o := range all {
		t.Run(o.name, func(t *testing.T) {
			t.Parallel()
			w := report.Judge(o.live())
			if string(w.Reason) != o.want {
				var b strings.Builder
				_ = w.Text(&b)
				t.Errorf("judged %s, is %s\n%s", w.Reason, o.want, b.String())
			}
			if len(w.Bring) == 0 {
				t.Error("it does not say what to bring")
			}
		})
	}
}

// A little less evidence must never make another cause sure of itself: with any one kind
// of reading taken away the answer is the same or "cannot tell", or a cause that was
// weighed before.
func TestWhyWithoutAReading(t *testing.T) {
	t.Parallel()
	strip := map[string]func(*report.Step){
		"charge":       func(s *report.Step) { s.SoC, s.SoCLow = nan(), nan() },
		"voltage":      func(s *report.Step) { s.Volts, s.VoltsLow = nan(), nan() },
		"switch":       func(s *report.Step) { s.LoadOn = nan() },
		"temperatures": func(s *report.Step) { s.BatteryCelsius, s.ControllerCelsius, s.AirCelsius = nan(), nan(), nan() },
		"panel":        func(s *report.Step) { s.PV, s.PVVolts, s.ChargeWatts = nan(), nan(), nan() },
		"peers":        func(s *report.Step) { s.Peers = nil },
	}
	same, silent, other := 0, 0, 0
	for _, o := range outages() {
		full := report.Judge(o.live())
		for what, f := range strip {
			in := o.live()
			for i := range in.Steps {
				f(&in.Steps[i])
			}
			switch got := report.Judge(in).Reason; {
			case got == full.Reason:
				same++
			case got == report.CannotTell:
				silent++
			default:
				other++
				t.Logf("%s without %s: %s, was %s", o.name, what, got, full.Reason)
			}
		}
	}
	t.Logf("the same %d, cannot tell %d, another %d", same, silent, other)
	if n := same + silent + other; other > 0 {
		t.Errorf("%d of %d judgements became another", other, n)
	}
}

// The same stories with other numbers: no judgement may hang on one.
func TestWhyWithOtherNumbers(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(9, 9))
	near := func(x, share float64) float64 { return x * (1 + share*(2*rng.Float64()-1)) }
	right, silent, wrong := 0, 0, 0
	for _, story := range outages() {
		for range 3 {
			o := story
			for i := range o.sun {
				o.sun[i] = min(near(o.sun[i], 0.15), 1)
			}
			o.soc, o.socDays, o.volts = near(o.soc, 0.15), near(o.socDays, 0.15), near(o.volts, 0.01)
			o.hour, o.creep, o.celsius, o.controller = near(o.hour, 0.1), near(o.creep, 0.15), near(o.celsius, 0.05), near(o.controller, 0.05)
			if o.jump == 0 {
				o.long = near(o.long, 0.2)
			}
			switch got := report.Judge(o.live()).Reason; {
			case string(got) == o.want:
				right++
			case got == report.CannotTell:
				silent++
			default:
				wrong++
				t.Logf("%s: %s, is %s", o.name, got, o.want)
			}
		}
	}
	t.Logf("right %d, cannot tell %d, wrong %d", right, silent, wrong)
	if n := right + silent + wrong; wrong > n/50 || right < n*9/10 {
		t.Errorf("of %d judgements %d were right, %d wrong", n, right, wrong)
	}
}

func TestWhyText(t *testing.T) {
	t.Parallel()
	o := outages()[0]
	var b strings.Builder
	if err := report.Judge(o.live()).Text(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"slipway: outage from Sat 14 Mar 05:00 to Sat 14 Mar 11:00, 6.0 h. It is back.", "Likeliest: the battery ran down for want of sun.", "  + the battery was at ", "Bring:", "isolate the panel"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the text lacks %q:\n%s", want, b.String())
		}
	}
	b.Reset()
	empty := report.Judge(report.WhyInput{Outage: report.Spell{From: begin(), To: begin().Add(time.Hour)}})
	if err := empty.Text(&b); err != nil || empty.Reason != report.CannotTell || !strings.Contains(b.String(), "cannot tell") {
		t.Errorf("without a record: %s %v", b.String(), err)
	}
}
