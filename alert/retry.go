package alert

import (
	"errors"
	"time"
)

type retryAfter struct {
	error
	wait time.Duration
}

func (r retryAfter) Unwrap() error { return r.error }

// RetryAfter marks an error whose receiver said when to try again.
func RetryAfter(err error, wait time.Duration) error {
	if err == nil || wait <= 0 {
		return err
	}
	return retryAfter{err, wait}
}

// RetryWait is how long the receiver of an error asked to wait; 0 when it did not say.
func RetryWait(err error) time.Duration {
	var r retryAfter
	if errors.As(err, &r) {
		return r.wait
	}
	return 0
}
