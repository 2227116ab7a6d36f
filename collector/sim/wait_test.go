package sim

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector/reading"
)

// slowWire takes its time for each answer, as on a machine that is busy, and fails every third
// question.
type slowWire struct {
	live  *Live
	takes time.Duration
	asked int
	moved time.Duration // of the site's time while a question was on the wire
}

func (w *slowWire) Read(ctx context.Context) ([]reading.Value, error) {
	began := w.live.Now().Wall
	select {
	case <-time.After(w.takes):
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	w.moved = max(w.moved, w.live.Now().Wall.Sub(began))
	if w.asked++; w.asked%3 == 0 {
		return nil, errors.New("no answer in time")
	}
	return []reading.Value{{Quantity: reading.BatteryVolts, X: 13.2}}, nil
}

// A machine of any slowness asks the site as often in its own time: no reading gets old because
// the wire is late.
func TestTimeWaitsForTheWire(t *testing.T) {
	t.Parallel()
	for _, takes := range []time.Duration{10 * time.Millisecond, 300 * time.Millisecond, 3 * time.Second} {
		synctest.Test(t, func(t *testing.T) {
			live := NewLive(New(DemoSpec(1)), 1440)
			wire := &slowWire{live: live, takes: takes}
			src := live.Waited(wire, 10*time.Minute)
			live.Begin()
			stop := make(chan struct{})
			go func() { // the loop and the page look all the time
				for {
					select {
					case <-stop:
						return
					case <-time.After(50 * time.Millisecond):
						live.Now()
					}
				}
			}()
			last, oldest := live.Now().Wall, time.Duration(0)
			for range 200 {
				time.Sleep(10 * time.Minute / 1440)
				if takes > time.Second {
					time.Sleep(4 * time.Second) // the poller itself gets no turn
				}
				ctx, cancel := context.WithTimeout(t.Context(), 333*time.Millisecond) // as a poller limits it
				if _, err := src.Read(ctx); err != nil {
					t.Fatalf("a question that takes %v failed: %v", takes, err)
				}
				cancel()
				now := live.Now().Wall
				last, oldest = now, max(oldest, now.Sub(last))
			}
			close(stop)
			if wire.moved != 0 || oldest > 15*time.Minute {
				t.Errorf("with %v an answer: the site lived %v during one, and %v between two", takes, wire.moved, oldest)
			}
			if lived := live.Now().Mono; lived < 20*time.Hour {
				t.Errorf("with %v an answer: the site lived only %v in 200 questions", takes, lived)
			}
		})
	}
}

// The end of the program is the end of a question.
func TestAQuestionEndsWithTheProgram(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		live := NewLive(New(DemoSpec(1)), 1440)
		src := live.Waited(&slowWire{live: live, takes: time.Hour}, 10*time.Minute)
		live.Begin()
		ctx, cancel := context.WithCancel(t.Context())
		began := time.Now()
		time.AfterFunc(time.Second, cancel)
		if _, err := src.Read(ctx); !errors.Is(err, context.Canceled) || time.Since(began) > 2*time.Second {
			t.Errorf("%v after %v", err, time.Since(began))
		}
	})
}
