package weather

import "time"

// Store keeps one value durably, as JSON. Load leaves v alone where nothing was saved.
type Store interface {
	Load(v any) error
	Save(v any) error
}

// cache is what is remembered of a service over a restart.
type cache struct {
	told time.Time // until when the service wants to be left alone

	URL       string    `json:"url"`
	Body      string    `json:"body,omitempty"` // the last good answer
	Fetched   time.Time `json:"fetched"`
	Modified  string    `json:"modified,omitempty"` // its Last-Modified
	NotBefore time.Time `json:"not_before"`
	Fails     int       `json:"fails,omitempty"`
	Day       string    `json:"day"`
	Bytes     int64     `json:"bytes"` // read on that day
}

// due tells whether it is time to ask. A clock that was set back by more than the longest
// wait must not silence the client.
func (c *cache) due(now time.Time) bool {
	return !now.Before(c.NotBefore) || c.NotBefore.Sub(now) > 48*time.Hour
}

func (c *cache) spent(now time.Time) int64 {
	if c.Day != now.UTC().Format(time.DateOnly) {
		return 0
	}
	return c.Bytes
}

func (c *cache) spend(now time.Time, n int64) {
	c.Bytes = c.spent(now) + n
	c.Day = now.UTC().Format(time.DateOnly)
}

// good sets the next time to ask: after the usual wait, and not before the answer expires,
// at most two days.
func (c *cache) good(now, expires time.Time, every time.Duration) {
	c.Fails, c.told = 0, time.Time{}
	c.NotBefore = now.Add(every)
	if expires.After(c.NotBefore) {
		c.NotBefore = expires
	}
	if most := now.Add(48 * time.Hour); c.NotBefore.After(most) {
		c.NotBefore = most
	}
}

// failed doubles the wait from five minutes to six hours, or waits for as long as it was
// told, at most two days.
func (c *cache) failed(now time.Time, every time.Duration) {
	c.Fails = min(c.Fails+1, 20)
	wait := min(5*time.Minute<<min(c.Fails-1, 10), max(every, 6*time.Hour))
	c.NotBefore = now.Add(wait)
	if c.told.After(c.NotBefore) {
		c.NotBefore = c.told
		if most := now.Add(48 * time.Hour); c.NotBefore.After(most) {
			c.NotBefore = most
		}
	}
	c.told = time.Time{}
}

func (c *cache) forget(now time.Time) {
	c.Body, c.Modified, c.NotBefore = "", "", now
}
