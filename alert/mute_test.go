package alert

import (
	"testing"
	"time"
)

// creep is a rule of two rungs, in the units of the fact x.
func creep(each string) Rule {
	name := "x"
	if each != "" {
		name = "x/*"
	}
	return Rule{Name: "creep", Summary: "x creeps", Each: each, Rungs: []Rung{
		{Name: "some", When: MustExpr(name + " > 1"), Severity: Warning, Title: "{{site}}: some", Text: "some"},
		{Name: "much", When: MustExpr(name + " > 5"), Severity: Critical, Title: "{{site}}: much", Text: "much"},
	}}
}

func TestAMutedAlarmIsHeardAgainWhenItGrowsGraver(t *testing.T) {
	t.Parallel()
	d := newDrill(t, creep(""))
	told := d.set("x", 2).run(5 * time.Minute)
	d.want(told, "raised creep")
	if _, ok := d.s.Muted("none", time.Hour, ""); ok {
		t.Error("what there is not was muted")
	}
	var ok bool
	if d.s, ok = d.s.Muted(Short(told[0].ID), 24*time.Hour, "seen"); !ok {
		t.Fatalf("no alarm %q", Short(told[0].ID))
	}
	d.want(d.set("x", 0).run(5*time.Minute), "cleared creep")
	d.want(d.set("x", 2).run(time.Hour), "") // it came again, and is muted still
	d.want(d.set("x", 6).run(5*time.Minute), "raised creep")
	if a := d.e.Active(d.s, d.now, d.get); len(a) != 1 || a[0].Muted != 0 || a[0].Severity != Critical {
		t.Errorf("what is heard is shown as muted: %+v", a)
	}
}

func TestAMuteEndsByItselfAndTellsWhatIsStillSo(t *testing.T) {
	t.Parallel()
	d := newDrill(t, creep(""))
	d.want(d.set("x", 0).run(time.Minute), "")
	d.s, _ = d.s.Muted("creep", 3*time.Hour, "") // before it says anything: whatever it comes to
	d.want(d.set("x", 6).run(2*time.Hour), "")
	d.want(d.set("x", 0).run(5*time.Minute), "") // what was never told is not over
	d.want(d.set("x", 6).run(30*time.Minute), "")
	if a := d.e.Active(d.s, d.now, d.get); len(a) != 1 || a[0].Muted <= 0 || a[0].Muted > 30*time.Minute {
		t.Errorf("it is not shown as muted: %+v", a)
	}
	d.want(d.run(30*time.Minute), "raised creep")
}

func TestOneInstanceIsMutedAndOneAcknowledged(t *testing.T) {
	t.Parallel()
	d := newDrill(t, creep("source"))
	d.set("x/charger", 0, "x/path", 0).run(time.Minute)
	d.s, _ = d.s.Muted("creep/charger", time.Hour, "")
	told := d.set("x/charger", 2, "x/path", 2).run(10 * time.Minute)
	d.want(told, "raised creep")
	if told[0].ID == "" || d.s.Tracks["creep/path"].ID != told[0].ID {
		t.Errorf("the wrong one was told: %s", told[0].ID)
	}
	next, ok := d.s.Acknowledge("creep/path")
	if !ok || !next.Tracks["creep/path"].Acked || next.Tracks["creep/charger"].Acked || d.s.Tracks["creep/path"].Acked {
		t.Errorf("acknowledged: %+v", next.Tracks)
	}
	if next, ok = d.s.Unmuted("creep/charger"); !ok || len(next.Mutes) != 0 || len(d.s.Mutes) != 1 {
		t.Errorf("unmuted: %+v", next.Mutes)
	}
	d.s = next
	d.want(d.run(time.Minute), "raised creep")
	if _, ok = d.s.Unmuted("creep/charger"); ok {
		t.Error("what is not muted was unmuted")
	}
}
