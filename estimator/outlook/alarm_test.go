package outlook

import (
	"os"
	"slices"
	"testing"
)

// alarmRule is a way of raising: the chance within one of the spans reaches raise, and ends
// when it has fallen below clear.
type alarmRule struct {
	span         int // index in [Withins]
	raise, clear float64
	straight     bool // the straight line over the last day instead, within five days
}

// alarmScore is how a rule did over a record.
type alarmScore struct {
	falseAYear, late, lead float64 // late: share of outages warned less than 24 h ahead
	outages                int
}

// alarms runs a rule over the looks. Cuts within three days of one another are one outage.
func (t *trial) alarms(r alarmRule, years float64) alarmScore {
	on, since, hit := false, 0, false
	var out alarmScore
	var leads []float64
	next, last := 0, -1000
	for _, l := range t.looks {
		for next < len(t.cuts) && t.cuts[next] <= l.hour {
			cut := t.cuts[next]
			next++
			fresh := cut-last > 72
			last = cut
			hit = hit || on
			if !fresh {
				continue
			}
			out.outages++
			lead := 0.0
			if on {
				lead = float64(cut - since)
			}
			leads = append(leads, lead)
			if lead < 24 {
				out.late++
			}
		}
		p := l.within[r.span]
		if r.straight {
			p = l.straight
		}
		switch {
		case !on && p >= r.raise && !l.dark:
			on, since, hit = true, l.hour, false
		case on && p < r.clear && !l.dark:
			if !hit {
				out.falseAYear += 1 / years
			}
			on = false
		}
	}
	slices.Sort(leads)
	if n := len(leads); n > 0 {
		out.late /= float64(n)
		out.lead = leads[n/2]
	}
	return out
}

func TestAlarmStudy(t *testing.T) {
	if os.Getenv("EBBWATCH_STUDY") == "" {
		t.Skip("skipped: needs EBBWATCH_STUDY=1 (minutes)")
	}
	w, s := chosen(t), measuredShapes(t)
	n := studyNodes()["b small"]
	n.watts = 185
	for i, set := range []setting{
		{node: n, forecast: true, exact: true, every: 6, seed: 12},
		{node: n, forecast: true, every: 6, seed: 12},
		{node: n, every: 6, seed: 12},
		{node: n, forecast: true, whole: true, every: 6, seed: 12},
	} {
		if !picked(i) {
			continue
		}
		t.Run("", func(t *testing.T) {
			t.Parallel()
			tr := w.try(set, s, 60)
			years := float64(len(w.ghi)) / 365.25
			t.Logf("%s: forecast %v, exact %v, with the estimator %v", stationOf(), set.forecast, set.exact, set.whole)
			for span := 2; span < 5; span++ {
				for _, raise := range []float64{0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8} {
					for _, clear := range []float64{0.25, 0.5} {
						a := tr.alarms(alarmRule{span: span, raise: raise, clear: raise * clear}, years)
						t.Logf("within %3d h raise %.1f clear %.3f: %.2f false a year, %2.0f %% late, median lead %3.0f h, %d outages", Withins()[span], raise, raise*clear, a.falseAYear, 100*a.late, a.lead, a.outages)
					}
				}
			}
			a := tr.alarms(alarmRule{straight: true, raise: 1, clear: 1}, years)
			t.Logf("straight line within 120 h: %.2f false a year, %2.0f %% late, median lead %3.0f h", a.falseAYear, 100*a.late, a.lead)
		})
	}
}
