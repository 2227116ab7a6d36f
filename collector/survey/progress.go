package survey

import (
	"fmt"
	"time"
)

// progress tells how far a long piece of work is, and how much longer it may take, by the pace so
// far. It keeps quiet about what is done within two seconds.
type progress struct {
	s     *Survey
	what  string
	total int
	done  int
	began time.Time
	told  time.Time
}

const (
	quietFor  = 2 * time.Second
	tellEvery = 5 * time.Second
)

func (s *Survey) progress(what string, total int) *progress {
	p := &progress{s: s, what: what, total: total}
	p.began = p.now()
	p.told = p.began.Add(quietFor - tellEvery)
	return p
}

func (p *progress) now() time.Time {
	if p.s.Now == nil {
		return time.Time{}
	}
	return p.s.Now()
}

// step counts one piece done.
func (p *progress) step() {
	p.done = min(p.done+1, p.total)
	now := p.now()
	if now.Sub(p.told) < tellEvery {
		return
	}
	p.told = now
	left := time.Duration(float64(now.Sub(p.began)) / float64(p.done) * float64(p.total-p.done))
	p.s.Talk.Say(fmt.Sprintf("  %s: %d %%, about %s left", p.what, 100*p.done/p.total, roughly(left)))
}

// roughly says a span to the precision that anybody waits by.
func roughly(d time.Duration) string {
	switch {
	case d < 90*time.Second:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 90*time.Minute:
		return fmt.Sprintf("%.0f minutes", d.Minutes())
	}
	return fmt.Sprintf("%.1f hours", d.Hours())
}
