package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
)

// Tasks are the parts of a daemon that run at once, and what is to be closed after them. The
// first part that fails ends all.
type Tasks struct {
	group   *errgroup.Group
	ctx     context.Context
	cancel  context.CancelFunc
	mu      sync.Mutex
	running []string
	closers []closer
}

// closer is one step of the teardown.
type closer struct {
	name  string
	limit time.Duration
	close func(context.Context) error
}

// NewTasks makes an empty set that ends with the context.
func NewTasks(ctx context.Context) *Tasks {
	ctx, cancel := context.WithCancel(ctx)
	group, ctx := errgroup.WithContext(ctx)
	return &Tasks{group: group, ctx: ctx, cancel: cancel}
}

// Context ends when the daemon is to stop.
func (t *Tasks) Context() context.Context { return t.ctx }

// Go runs a part until the context ends. Its name is for whoever asks why a stop takes long.
func (t *Tasks) Go(name string, run func(context.Context) error) {
	t.mu.Lock()
	t.running = append(t.running, name)
	t.mu.Unlock()
	t.group.Go(func() error {
		defer t.ended(name)
		return run(t.ctx)
	})
}

func (t *Tasks) ended(name string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	i := slices.Index(t.running, name)
	t.running = slices.Delete(t.running, i, i+1)
}

// OnStop has something closed after all parts ended, within a limit. What was opened last is
// closed first.
func (t *Tasks) OnStop(name string, limit time.Duration, close func(context.Context) error) {
	t.closers = append(t.closers, closer{name, limit, close})
}

// Wait waits until the context ends or a part fails, calls stopping, gives the parts the limit
// to end, and then closes what was opened. It is over within the sum of the limits, whatever
// hangs; the error names what did.
func (t *Tasks) Wait(stopping func(), limit time.Duration) error {
	defer t.cancel()
	<-t.ctx.Done()
	stopping()
	return errors.Join(t.wait(limit), t.Close())
}

func (t *Tasks) wait(limit time.Duration) error {
	err, ended := bounded(limit, func(context.Context) error { return t.group.Wait() })
	if ended {
		return err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	return fmt.Errorf("cannot stop cleanly: %s did not end within %s", strings.Join(t.running, ", "), limit)
}

// Close closes what was opened, for a start that fails halfway. A second call does nothing.
func (t *Tasks) Close() error {
	t.cancel()
	var errs []error
	for _, c := range slices.Backward(t.closers) {
		err, ended := bounded(c.limit, c.close)
		if !ended {
			err = fmt.Errorf("cannot stop cleanly: %s was not closed within %s", c.name, c.limit)
		}
		errs = append(errs, err)
	}
	t.closers = nil
	return errors.Join(errs...)
}

// bounded gives what f gives, and whether it ended within the limit; else f is left to itself.
func bounded(limit time.Duration, f func(context.Context) error) (err error, ended bool) {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- f(ctx) }()
	select {
	case err := <-done:
		return err, true
	case <-ctx.Done():
		return nil, false
	}
}
