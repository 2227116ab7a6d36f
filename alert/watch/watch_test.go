package watch

import (
	"strings"
	"testing"
	"time"
)

func noon() time.Time { return time.Date(2026, 1, 10, 12, 0, 0, 0, time.UTC) }

// said is the plan of a node that stated at six that it would be dark from about nine, and
// back at eleven the next day.
func said() Plan {
	six := noon().Add(-6 * time.Hour)
	return Plan{Stated: six, Charge: 0.07, Chance: 0.9, From: six.Add(2 * time.Hour), Likely: six.Add(3 * time.Hour),
		Back: six.Add(29 * time.Hour), Late: six.Add(34 * time.Hour), NeedSun: 1.5}
}

func healthy() Plan { return Plan{Stated: noon().Add(-time.Hour), Charge: 0.8} }

// TestOneNode judges the silence of slipway, beside gate, which is heard.
func TestOneNode(t *testing.T) {
	t.Parallel()
	hours := func(h float64) time.Time { return noon().Add(time.Duration(h * float64(time.Hour))) }
	for name, row := range map[string]struct {
		at    time.Time
		n     Sight
		want  Cause
		alarm bool
		says  string
	}{
		"it answers":                             {n: Sight{Board: Yes}, want: Fine},
		"it was not asked":                       {n: Sight{Board: Unknown}, want: CannotTell},
		"dark as it said":                        {n: Sight{Plan: said()}, want: ExpectedDark, says: "is to be back by Sun 16:00"},
		"dark somewhat early":                    {n: Sight{Plan: said(), SilentSince: hours(-9)}, want: ExpectedDark},
		"late":                                   {at: hours(28.5), n: Sight{Plan: said()}, want: Overdue, alarm: true, says: "was to be back by Sun 16:00"},
		"late, without sun":                      {at: hours(28.5), n: Sight{Plan: said(), SunKnown: true, SunSince: 0.7}, want: ExpectedDark, says: "needs 1.5 hours of full sun to return and has had 0.7"},
		"late, and the dark took more":           {at: hours(40), n: Sight{Plan: func() Plan { p := said(); p.Drain = 0.05; return p }(), SunKnown: true, SunSince: 2}, want: ExpectedDark, says: "needs 3.6 hours of full sun"},
		"late, with enough sun":                  {at: hours(28.5), n: Sight{Plan: said(), SunKnown: true, SunSince: 2}, want: Overdue, alarm: true},
		"two weeks without sun":                  {at: hours(15 * 24), n: Sight{Plan: said(), SunKnown: true, SunSince: 0.7}, want: Overdue, alarm: true},
		"empty, and no word of it":               {n: Sight{Plan: Plan{Stated: noon(), Charge: 0.05}}, want: ExpectedDark, says: "its battery was at 5 %"},
		"empty for four days":                    {at: hours(96), n: Sight{Plan: Plan{Stated: noon(), Charge: 0.05}}, want: Overdue, alarm: true},
		"dark as it said, but somebody hears it": {n: Sight{Plan: said(), Witnesses: []Witness{{"gate", Yes, Unknown}}}, want: Link, alarm: true, says: "gate hears it"},
		"its board answers, its page does not":   {n: Sight{Answers: Yes}, want: Board, alarm: true, says: "its board answers"},
		"dark as it said, but its board answers": {n: Sight{Plan: said(), Answers: Yes}, want: Board, alarm: true, says: "its board answers"},
		"its page says the same":                 {n: Sight{Frozen: hours(-1)}, want: Board, alarm: true, says: "stands still"},
		"another site answers there":             {n: Sight{Other: "gate", Answers: Yes}, want: CannotTell, alarm: true, says: "calls itself gate"},
		"dark as it said, but its radio answers": {n: Sight{Plan: said(), Radio: Yes}, want: Board, alarm: true, says: "radio of its site answers"},
		"likely, and some hours early":           {n: Sight{Plan: Plan{Stated: hours(-4), Charge: 0.3, Chance: 0.5, From: hours(2)}}, want: ExpectedDark},
		"likely, and far too early":              {n: Sight{Plan: Plan{Stated: hours(-4), Charge: 0.3, Chance: 0.5, From: hours(5)}}, want: Power, alarm: true},
		"it had said for tomorrow":               {n: Sight{Plan: Plan{Stated: hours(-1), Charge: 0.4, Chance: 0.35, From: hours(20)}}, want: Power, alarm: true, says: "chance of a cut-off within a day 35 %"},
		"low, no word":                           {n: Sight{Plan: Plan{Stated: noon(), Charge: 0.13}}, want: Power, alarm: true, says: "battery was at 13 %"},
		"low and lossy":                          {n: Sight{Plan: Plan{Stated: noon(), Charge: 0.13}, LossBefore: 0.3}, want: CannotTell, alarm: true},
		"healthy and lossy":                      {n: Sight{Plan: healthy(), LossBefore: 0.3}, want: Link, alarm: true, says: "30 % of the probes got lost"},
		"healthy, nothing else":                  {n: Sight{Plan: healthy()}, want: CannotTell, alarm: true, says: "nothing tells them apart"},
		"healthy, others do not hear it": {n: Sight{Plan: healthy(), Witnesses: []Witness{{"gate", No, Unknown}}}, want: CannotTell, alarm: true,
			says: "think of a fuse, a breaker"},
		"others hear its radio":                      {n: Sight{Radio: No, Witnesses: []Witness{{"gate", No, Yes}}}, want: Link, alarm: true, says: "gate hears its radio"},
		"others hear its radio, we never asked":      {n: Sight{Witnesses: []Witness{{"gate", No, Yes}}}, want: CannotTell, alarm: true},
		"a witness who is silent himself":            {n: Sight{Plan: healthy(), Witnesses: []Witness{{"island", Yes, Yes}}}, want: CannotTell, alarm: true},
		"one behind it is heard":                     {n: Sight{Name: "dam"}, want: Board, alarm: true, says: "weir is heard"},
		"it is behind one that is silent":            {n: Sight{Via: []string{"island"}}, want: CannotTell, says: "goes through island"},
		"it is behind one whose radio still answers": {n: Sight{Via: []string{"marsh"}, Plan: healthy(), LossBefore: 0.5}, want: Link, alarm: true},
		"nothing was ever heard of it":               {n: Sight{}, want: CannotTell, alarm: true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			n := row.n
			if n.Name == "" {
				n.Name = "slipway"
			}
			if n.SilentSince.IsZero() {
				n.SilentSince = hours(-3)
			}
			if n.Board == Unknown && row.want != CannotTell || n.Board == Unknown && name != "it was not asked" {
				n.Board = No
			}
			s := Scene{Now: noon(), HouseRadio: Yes, Nodes: []Sight{
				n, {Name: "gate", Board: Yes}, {Name: "island", Board: No, SilentSince: hours(-3)}, {Name: "marsh", Board: No, Radio: Yes}, {Name: "weir", Board: Yes, Via: []string{"dam"}},
			}}
			if !row.at.IsZero() {
				s.Now = row.at
			}
			v := Judge(s).Nodes[0]
			all := strings.Join(append(v.For, v.Against...), "; ")
			if v.Cause != row.want || v.Alarm != row.alarm || !strings.Contains(all, row.says) {
				t.Errorf("got %s (alarm %v): %s", v.Cause, v.Alarm, all)
			}
			if v.Alarm != (len(v.Bring) > 0) {
				t.Errorf("%s: to bring: %v", v.Cause, v.Bring)
			}
		})
	}
}

func TestHouseAndDashboard(t *testing.T) {
	t.Parallel()
	silent := func(name string, minutes int, p Plan) Sight {
		return Sight{Name: name, Board: No, Plan: p, SilentSince: noon().Add(-time.Duration(minutes) * time.Minute)}
	}
	both := []Sight{silent("slipway", 20, healthy()), silent("gate", 22, healthy())}
	heard := []Sight{silent("slipway", 20, healthy()), {Name: "gate", Board: Yes}}
	for name, row := range map[string]struct {
		s           Scene
		house, dash Cause
	}{
		"all is well":                       {Scene{HouseRadio: Yes, DashboardUp: Yes, DashboardFresh: Yes, Nodes: heard}, Fine, Fine},
		"the radio at the house is dead":    {Scene{HouseRadio: No, Nodes: both}, House, Fine},
		"the house's network is dead":       {Scene{HouseNetwork: No, HouseRadio: Yes, Nodes: both}, House, Fine},
		"all fell silent at once":           {Scene{Nodes: both}, House, Fine},
		"one probe of the radio was lost":   {Scene{HouseRadio: No, Nodes: heard}, Fine, Fine},
		"the radio at the house is fine":    {Scene{HouseRadio: Yes, Nodes: both}, Fine, Fine},
		"one after the other":               {Scene{Nodes: []Sight{both[0], silent("gate", 90, healthy())}}, Fine, Fine},
		"one of the two said so":            {Scene{Nodes: []Sight{both[0], silent("gate", 22, said())}}, Fine, Fine},
		"a lone node tells nothing of it":   {Scene{Nodes: both[:1]}, Fine, Fine},
		"the dashboard is down":             {Scene{HouseRadio: Yes, DashboardUp: No, Nodes: heard}, Fine, Dashboard},
		"the dashboard stands still":        {Scene{HouseRadio: Yes, DashboardUp: Yes, DashboardFresh: No, Nodes: heard}, Fine, Dashboard},
		"the dashboard has nothing to show": {Scene{HouseRadio: Yes, DashboardUp: Yes, DashboardFresh: No, Nodes: both}, Fine, Fine},
		"house and dashboard":               {Scene{HouseRadio: No, DashboardUp: No, Nodes: both}, House, Dashboard},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			row.s.Now = noon()
			r := Judge(row.s)
			if r.House.Cause != row.house || r.House.Alarm != (row.house == House) || r.Dashboard.Cause != row.dash || r.Dashboard.Alarm != (row.dash == Dashboard) {
				t.Errorf("house %+v, dashboard %+v", r.House, r.Dashboard)
			}
			for _, v := range r.Nodes {
				if row.house == House && (v.Alarm || v.Cause != CannotTell || v.Behind != "the house") {
					t.Errorf("three alarms for one cause: %+v", v)
				}
			}
		})
	}
}
