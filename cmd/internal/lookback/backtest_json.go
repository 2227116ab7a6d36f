package lookback

import (
	"encoding/json"
	"math"
	"time"

	"ebbwatch/collector/nodestate"
)

// MarshalJSON writes the verdict for programs, in the names and units of the other answers:
// snake_case, hours, and what is not known left out.
func (v Tested) MarshalJSON() ([]byte, error) {
	known := func(x float64) *float64 {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return nil
		}
		return &x
	}
	moment := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		return &t
	}
	type outage struct {
		Begin time.Time  `json:"begin"`
		End   *time.Time `json:"end,omitempty"`
		Lead  *float64   `json:"warned_hours_before,omitempty"`
	}
	type episode struct {
		Raised  time.Time  `json:"raised"`
		Cleared *time.Time `json:"cleared,omitempty"`
		True    bool       `json:"came_true"`
	}
	type bin struct {
		Looks  int      `json:"looks"`
		Stated *float64 `json:"stated,omitempty"`
		Came   *float64 `json:"came,omitempty"`
	}
	type score struct {
		Within int      `json:"within_hours"`
		Looks  int      `json:"looks"`
		Came   int      `json:"came"`
		Brier  *float64 `json:"brier,omitempty"`
		Skill  *float64 `json:"skill,omitempty"`
		Fifths []bin    `json:"fifths"`
	}
	out := struct {
		Schema  int       `json:"schema"`
		From    time.Time `json:"from"`
		To      time.Time `json:"to"`
		Told    bool      `json:"outages_known"`
		Outages []outage  `json:"outages"`
		Alarms  []episode `json:"alarms"`
		Scores  []score   `json:"scores"`
	}{Schema: nodestate.Schema, From: v.From, To: v.To, Told: v.Told, Outages: []outage{}, Alarms: []episode{}, Scores: []score{}}
	for _, o := range v.Outages {
		lead := math.NaN()
		if o.Lead >= 0 {
			lead = o.Lead.Hours()
		}
		out.Outages = append(out.Outages, outage{o.Begin, moment(o.End), known(lead)})
	}
	for _, a := range v.Alarms {
		out.Alarms = append(out.Alarms, episode{a.Raised, moment(a.Cleared), a.True})
	}
	for _, s := range v.Scores {
		one := score{s.Within, s.Looks, s.Came, known(s.Brier), known(s.Skill), nil}
		for _, f := range s.Fifths {
			b := bin{Looks: f.Looks}
			if f.Looks > 0 {
				b.Stated, b.Came = known(f.Stated), known(f.Came)
			}
			one.Fifths = append(one.Fifths, b)
		}
		out.Scores = append(out.Scores, one)
	}
	return json.Marshal(out)
}
