package sim

import (
	"sync"
	"time"

	"ebbwatch/collector/reading"
)

// Live is a site whose time runs with the clock, so and so many times as fast. It moves when
// somebody looks; several may look at once.
type Live struct {
	mu    sync.Mutex
	site  *Site
	speed float64
	asked time.Time // when the moment was last asked for; zero until Begin
	now   time.Time // the site's moment then
	held  int       // questions on the wire
	waits []*asking // who the time waits for
}

// hiccup is the longest real time between two questions that the site lives through. When
// a busy machine stops everybody for longer, the site stops too: otherwise hours would go
// by in which nobody could have asked it anything.
const hiccup = 250 * time.Millisecond

// NewLive stands still until [Live.Begin]. Speed is simulated over real time.
func NewLive(site *Site, speed float64) *Live {
	return &Live{site: site, speed: speed, now: site.Now()}
}

// Begin starts its time.
func (l *Live) Begin() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.asked.IsZero() {
		l.asked = time.Now()
	}
}

// Now is the simulated moment, on a clock that is right.
func (l *Live) Now() reading.Stamp {
	l.mu.Lock()
	defer l.mu.Unlock()
	at := l.moment()
	return reading.Stamp{Mono: at.Sub(l.site.spec.Start), Wall: at, Trusted: true}
}

func (l *Live) moment() time.Time {
	if l.asked.IsZero() {
		return l.now
	}
	asked := time.Now()
	passed := min(asked.Sub(l.asked), hiccup)
	l.asked = asked
	if l.held > 0 {
		return l.now
	}
	next := l.now.Add(time.Duration(float64(passed) * l.speed))
	if latest, bound := l.leash(); bound && next.After(latest) {
		next = latest
	}
	if next.After(l.now) {
		l.now = next
	}
	return l.now
}

// Look brings the site up to the present and shows it. The function must not keep it.
func (l *Live) Look(at func(s *Site)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.site.StepTo(l.moment())
	at(l.site)
}

// Slave answers as the site's controller does.
func (l *Live) Slave(unit byte) *Slave {
	return &Slave{Unit: unit, Registers: func(fn byte, address, count int) (regs []uint16, code byte) {
		l.Look(func(s *Site) { regs, code = s.registers(fn, address, count) })
		return regs, code
	}}
}

// registers is what the controller answers: silence when its meters are silent.
func (s *Site) registers(fn byte, address, count int) ([]uint16, byte) {
	if s.Silent() {
		return nil, 0
	}
	if fn == ReadHolding {
		return window(identityWords(), address-firstIdentity, count)
	}
	regs := image(s.Measured())
	return window(regs[:], address-firstInput, count)
}

func window(regs []uint16, from, count int) ([]uint16, byte) {
	if from < 0 || from+count > len(regs) {
		return nil, IllegalAddress
	}
	return regs[from : from+count], 0
}
