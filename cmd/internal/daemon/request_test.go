package daemon

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/statedir"
)

func TestRequestsAreTakenFromTheStateFolder(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	dir, err := statedir.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer dir.Close()
	o := testOptions(dir, fixed{values: values(3)})
	var record []string
	o.Noticed = func(n alert.Notice) { record = append(record, string(n.Phase)+" "+n.Title) }
	l := NewLoop(o)
	now := l.now().Wall
	for _, r := range []any{core.Request{Silence: 2 * time.Hour, Why: "tightening joints"}, "nonsense", core.Request{Acknowledge: "none"}} {
		if err := statedir.Leave(path, r); err != nil {
			t.Fatal(err)
		}
	}
	l.collect(now)
	if s := l.core.Alerts().Silence; s == nil || s.Left != 2*time.Hour || s.Why != "tightening joints" {
		t.Errorf("silence: %+v", s)
	}
	if p := l.core.Snapshot(l.now()).Problems; len(p) != 1 || !strings.Contains(p[0], "tightening joints; nothing is sent") {
		t.Errorf("who looks at the page sees %q", p)
	}
	var kept Alerts
	if dir.Load("alerts", &kept); kept.Engine.Silence == nil {
		t.Error("the silence would not survive a power cut")
	}
	if err := statedir.Leave(path, core.Request{End: true, Why: "all joints are tight"}); err != nil {
		t.Fatal(err)
	}
	if l.collect(now); l.core.Alerts().Silence != nil {
		t.Error("it did not end")
	}
	if want := []string{"raised slipway: maintenance: tightening joints", "cleared slipway: done: all joints are tight"}; !slices.Equal(record, want) {
		t.Errorf("on record are %q, want %q", record, want)
	}
}

func TestMaintenanceSendsAndTeachesNothingAndEndsByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store, box := &memStore{}, &inbox{}
		o := testOptions(store, fixed{values: values(3)}, owner(box))
		store.saved = map[string]any{"alerts": Alerts{Engine: alert.State{}.Silenced(time.Now(), time.Hour, "hand charging")}}
		before := core.New(o.Plan).Memory().Outlook
		l := liveFor(t, o, 50*time.Minute)
		if len(box.got) != 0 {
			t.Errorf("%d notices were sent in maintenance", len(box.got))
		}
		if l.core.Memory().Outlook.Load.Level != before.Load.Level {
			t.Error("the load was learned in maintenance")
		}
		if l = liveFor(t, o, 50*time.Minute); len(box.got) != 1 {
			t.Errorf("%d notices after maintenance, want the one that still holds", len(box.got))
		}
		if l.core.Alerts().Silence != nil {
			t.Error("maintenance did not end by itself")
		}
	})
}
