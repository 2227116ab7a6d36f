package daemon_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/cmd/internal/daemon"
)

// What was opened last is closed first, and nothing before every part has ended.
func TestStopAwaitsAllAndClosesInReverse(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		var mu sync.Mutex
		var order []string
		add := func(what string) { mu.Lock(); order = append(order, what); mu.Unlock() }
		tasks := daemon.NewTasks(ctx)
		note := func(what string) func(context.Context) error {
			return func(context.Context) error { add(what); return nil }
		}
		tasks.OnStop("lock", time.Second, note("lock"))
		tasks.OnStop("history", time.Second, note("history"))
		tasks.Go("slow", func(ctx context.Context) error {
			<-ctx.Done()
			time.Sleep(2 * time.Second)
			return note("slow")(ctx)
		})
		go func() { time.Sleep(time.Minute); stop() }()
		err := tasks.Wait(func() { add("told") }, 3*time.Second)
		mu.Lock()
		defer mu.Unlock()
		if want := []string{"told", "slow", "history", "lock"}; err != nil || !slices.Equal(order, want) {
			t.Errorf("%v, %v; want %v", order, err, want)
		}
	})
}

// What hangs is named, and the lock goes all the same.
func TestStopIsBounded(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		tasks := daemon.NewTasks(t.Context())
		hang := make(chan struct{})
		defer close(hang)
		var released bool
		tasks.OnStop("state folder", time.Second, func(context.Context) error { released = true; return nil })
		tasks.OnStop("history", time.Second, func(context.Context) error { <-hang; return nil })
		tasks.Go("page", func(context.Context) error { return errors.New("cannot listen") })
		tasks.Go("remote write", func(context.Context) error { <-hang; return nil })
		began := time.Now()
		err := tasks.Wait(func() {}, 3*time.Second)
		if took := time.Since(began); took != 4*time.Second || !released {
			t.Errorf("the stop took %s, released %v", took, released)
		}
		for _, want := range []string{"remote write did not end within 3s", "history was not closed within 1s"} {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%v does not say %q", err, want)
			}
		}
	})
}
