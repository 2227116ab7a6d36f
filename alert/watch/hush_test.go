package watch

import (
	"testing"
	"time"

	"ebbwatch/alert"
)

// late is a home whose evening has come: quiet hours from eleven at night to seven.
func late(t *testing.T) *home {
	h := newHome(t)
	h.w.Quiet = alert.Quiet{From: 23 * 60, To: 7 * 60}
	h.scene.Now = time.Date(2026, 1, 10, 23, 30, 0, 0, time.UTC)
	h.want(h.look(5))
	return h
}

func TestQuietHoursHoldUntilTheMorning(t *testing.T) {
	t.Parallel()
	h := late(t)
	h.slipway().Board = No
	h.want(h.look(7*60 + 20))
	h.want(h.look(10), "raised slipway: silent, and nothing tells why")
	if since := h.s.Alerts.Tracks["watch/slipway"].Since; since.Hour() != 23 {
		t.Errorf("it began at %s", since)
	}
	h.slipway().Board = Yes
	h.want(h.look(6), "cleared slipway: heard again")
}

// What came and went in the night is no message in the morning: nothing is over that was
// never told.
func TestANightFromEndToEndIsNoMessage(t *testing.T) {
	t.Parallel()
	h := late(t)
	h.slipway().Board = No
	h.want(h.look(60))
	h.slipway().Witnesses[0].Hears = Yes
	h.want(h.look(60))
	h.slipway().Board, h.slipway().Witnesses[0].Hears = Yes, Unknown
	h.want(h.look(5 * 60))
	h.want(h.look(90))
}

// In maintenance nothing is sent; what outlasts it is told then, what does not never.
func TestMaintenance(t *testing.T) {
	t.Parallel()
	h := newHome(t)
	h.want(h.look(30))
	h.s.Alerts = h.s.Alerts.Silenced(h.scene.Now, 2*time.Hour, "tightening joints")
	h.slipway().Board = No
	h.want(h.look(40))
	h.slipway().Board = Yes
	h.want(h.look(20))
	h.slipway().Board = No
	h.want(h.look(55))
	h.want(h.look(10), "raised slipway: silent, and nothing tells why")
	if h.s.Alerts.Silence != nil {
		t.Errorf("it did not end by itself: %+v", h.s.Alerts.Silence)
	}
	// What was told before ends after it.
	h.s.Alerts = h.s.Alerts.Silenced(h.scene.Now, time.Hour, "")
	h.slipway().Board = Yes
	h.want(h.look(50))
	h.want(h.look(20), "cleared slipway: heard again")
}
