package watch

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"ebbwatch/alert"
)

// home looks every minute; its state goes through JSON each time, as after a restart.
type home struct {
	t     *testing.T
	w     Watch
	s     State
	scene Scene
}

func newHome(t *testing.T) *home {
	return &home{t: t, scene: Scene{Now: noon(), HouseRadio: Yes, HouseNetwork: Yes, DashboardUp: Yes, DashboardFresh: Yes, Nodes: []Sight{
		{Name: "slipway", Board: Yes, Plan: healthy(), Witnesses: []Witness{{"gate", Unknown, Unknown}}}, {Name: "gate", Board: Yes, Plan: healthy()},
	}}}
}

func (h *home) slipway() *Sight { return &h.scene.Nodes[0] }

func (h *home) look(minutes int) []alert.Notice {
	h.t.Helper()
	var all []alert.Notice
	for range minutes {
		h.scene.Now = h.scene.Now.Add(time.Minute)
		data, err := json.Marshal(h.s)
		if err != nil {
			h.t.Fatal(err)
		}
		var again State
		if err := json.Unmarshal(data, &again); err != nil {
			h.t.Fatal(err)
		}
		next, _, notices := h.w.Step(again, h.scene)
		if _, _, same := h.w.Step(again, h.scene); !reflect.DeepEqual(same, notices) {
			h.t.Fatal("the same look gave other notices")
		}
		h.s = next
		all = append(all, notices...)
	}
	return all
}

func (h *home) want(got []alert.Notice, titles ...string) {
	h.t.Helper()
	var have []string
	for _, n := range got {
		have = append(have, string(n.Phase)+" "+n.Title)
		if utf8.RuneCountInString(n.Title) >= 60 || n.ID == "" || n.Text == "" || strings.Contains(n.Text, "%!") {
			h.t.Errorf("%+v", n)
		}
	}
	if !reflect.DeepEqual(have, titles) {
		h.t.Fatalf("got %q, want %q", have, titles)
	}
}

func TestASilenceFromStartToEnd(t *testing.T) {
	t.Parallel()
	h := newHome(t)
	h.want(h.look(60))
	h.slipway().Board = No
	h.want(h.look(10)) // a radio that met radar would be back by now
	raised := h.look(5)
	h.want(raised, "raised slipway: silent, and nothing tells why")
	h.slipway().Witnesses[0].Hears = Yes // gate was asked
	h.want(h.look(11))
	changed := h.look(5)
	h.want(changed, "changed slipway: silent, probably the link")
	h.slipway().Witnesses[0].Hears = No
	h.want(h.look(60)) // the evidence is gone: what was told stands
	h.slipway().Board = Unknown
	h.want(h.look(60))
	h.slipway().Board = Yes
	h.want(h.look(4))
	over := h.look(2)
	h.want(over, "cleared slipway: heard again")
	if raised[0].ID != changed[0].ID || raised[0].ID != over[0].ID {
		t.Errorf("the ids are %s, %s, %s", raised[0].ID, changed[0].ID, over[0].ID)
	}
	if text := changed[0].Text; !strings.Contains(text, "For it: nothing new was heard of it since Sat 13:01; gate hears it") || !strings.Contains(text, "If nothing is done: ") {
		t.Errorf("the text is %s", text)
	}
	h.slipway().Board = No
	h.want(h.look(9))
	h.slipway().Board = Yes
	h.want(h.look(60)) // ten minutes: the channel check
}

func TestDarkAsSaidThenOverdue(t *testing.T) {
	t.Parallel()
	h := newHome(t)
	p := said()
	p.Stated, p.From, p.Likely, p.Back, p.Late = noon(), noon(), noon().Add(time.Hour), noon().Add(12*time.Hour), noon().Add(20*time.Hour)
	h.slipway().Plan = p
	h.want(h.look(30))
	h.slipway().Board, h.slipway().Plan = No, Plan{}
	h.want(h.look(19 * 60))
	got := h.look(60)
	h.want(got, "raised slipway: not back though it should be")
	if got[0].Severity != alert.Critical || !strings.Contains(got[0].Text, "it was to be back by Sun 08:00") || len(got[0].Advice) == 0 {
		t.Errorf("%+v", got[0])
	}
}

func TestTheSunIsCountedFromTheSilenceOn(t *testing.T) {
	t.Parallel()
	h := newHome(t)
	p := said()
	p.Late = noon().Add(5 * time.Hour)
	h.slipway().Plan, h.slipway().SunKnown, h.slipway().SunSince = p, true, 1
	h.want(h.look(30))
	h.slipway().Board, h.slipway().SunSince = No, 0.001
	h.want(h.look(20 * 60)) // 1.2 hours of full sun, of the 1.5 that it needs
	h.want(h.look(12*60), "raised slipway: not back though it should be")
}

func TestLossIsRememberedFromBeforeTheSilence(t *testing.T) {
	t.Parallel()
	h := newHome(t)
	h.slipway().LossBefore = 0.4
	h.want(h.look(60))
	h.slipway().Board, h.slipway().LossBefore = No, 0
	h.want(h.look(15), "raised slipway: silent, probably the link")
}

func TestOneAlarmForTheHouse(t *testing.T) {
	t.Parallel()
	h := newHome(t)
	h.look(60)
	h.scene.HouseRadio = No
	for i := range h.scene.Nodes {
		h.scene.Nodes[i].Board = No
	}
	h.want(h.look(60), "raised the house: nothing can be heard from here")
	h.scene.HouseRadio = Yes
	for i := range h.scene.Nodes {
		h.scene.Nodes[i].Board = Yes
	}
	h.scene.DashboardUp = No
	h.want(h.look(20), "cleared the house: heard again", "raised the dashboard: it shows nothing new")
}

// TestTwoHundredNodes: one look at a large fleet judges each node by itself.
func TestTwoHundredNodes(t *testing.T) {
	t.Parallel()
	h := newHome(t)
	h.scene.Nodes = nil
	for i := range 200 {
		n := Sight{Name: "node" + strings.Repeat("i", i), Board: Yes, Plan: Plan{Stated: noon(), Charge: 0.8}}
		h.scene.Nodes = append(h.scene.Nodes, n)
	}
	h.look(3)
	for i := range 10 {
		h.scene.Nodes[i*20].Board, h.scene.Nodes[i*20].Radio = No, Yes
	}
	if got := h.look(20); len(got) != 10 {
		t.Errorf("%d notices of 10 silent nodes", len(got))
	}
}

// TestTheSecondPersonIsTold: what nobody acknowledged for twelve hours is sent again, as with
// a node; an acknowledged alarm is not.
func TestTheSecondPersonIsTold(t *testing.T) {
	t.Parallel()
	for _, acked := range []bool{false, true} {
		h := newHome(t)
		h.w.Escalate = true
		h.look(5)
		h.slipway().Board = No
		raised := h.look(20)
		h.want(raised, "raised slipway: silent, and nothing tells why")
		want := []string{"changed Not acknowledged: slipway: silent, and nothing tells why"}
		if acked {
			h.s.Alerts, _ = h.s.Alerts.Acknowledge(raised[0].ID)
			want = nil
		}
		h.want(h.look(24*60), want...)
	}
}

// TestAlarmsOfAnOlderState: an alarm that an older version kept ends under its own id.
func TestAlarmsOfAnOlderState(t *testing.T) {
	t.Parallel()
	h := newHome(t)
	old := `{"at":"2026-01-10T12:00:00Z","raised":4,"nodes":{"slipway":{"silent":"2026-01-10T11:00:00Z"}},"alarms":{
		"slipway":{"cause":"link","for":3600000000000,"id":"slipway.watch.20260110T111500Z.4","since":"2026-01-10T11:15:00Z","told":"link"},
		"gate":{"cause":"fine"}}}`
	if err := json.Unmarshal([]byte(old), &h.s); err != nil {
		t.Fatal(err)
	}
	h.slipway().Board = No
	h.want(h.look(30))
	h.slipway().Board = Yes
	over := h.look(10)
	h.want(over, "cleared slipway: heard again")
	if over[0].ID != "slipway.watch.20260110T111500Z.4" || !strings.Contains(over[0].Text, "Before, it was: silent, probably the link") {
		t.Errorf("%+v", over[0])
	}
}
