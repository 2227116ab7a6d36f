package modbus

import (
	"context"
	"fmt"
	"net"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"

	"ebbwatch/collector"
	"ebbwatch/collector/serial"
)

const dialLimit = 3 * time.Second

// Settings say where a line is and how it is set. One of Port, TCP and RTUTCP is given.
type Settings struct {
	Port   string // a serial port
	TCP    string // host:port that speaks Modbus/TCP
	RTUTCP string // host:port that passes RTU frames on to a serial line
	Mode          // of the serial line
}

// String names the line for people.
func (s Settings) String() string { return s.Port + s.TCP + s.RTUTCP }

// Bus owns one line: a serial port or a connection. Any number of goroutines may ask; one
// at a time speaks. It opens the line when it is first needed and again when it was lost,
// waiting longer after each failure. What it learns about its units it keeps.
type Bus struct {
	settings Settings
	dial     func(ctx context.Context) (link, error)
	turn     chan struct{} // holds one token: who has it owns everything below

	link   link
	opened int // how often the line was opened
	retry  *backoff.ExponentialBackOff
	closed time.Time // not opened again before
	why    error     // it could not be opened
	units  map[byte]*unit
	past   history

	mu        sync.Mutex // over what may be looked at while somebody speaks
	strangers int
	usual     map[byte]time.Duration
	troubled  bool
}

// unit is what is known of one device on the line.
type unit struct {
	pace  pace
	pause time.Duration
}

// NewBus makes the owner of a line. It does not open it yet.
func NewBus(s Settings) *Bus {
	b := &Bus{settings: s, turn: make(chan struct{}, 1), units: map[byte]*unit{}, usual: map[byte]time.Duration{}}
	b.retry = &backoff.ExponentialBackOff{
		InitialInterval: time.Second, MaxInterval: time.Minute, Multiplier: 2, RandomizationFactor: 0.25,
	}
	b.retry.Reset()
	b.past.late = func(id byte) { b.unit(id).pace.tardy() }
	b.past.ours = func(id byte) bool { return b.units[id] != nil }
	b.dial = b.open
	b.turn <- struct{}{}
	return b
}

// open opens the line as the settings say.
func (b *Bus) open(ctx context.Context) (link, error) {
	s := b.settings
	switch {
	case s.TCP != "":
		l, err := dialTCP(ctx, s.TCP, dialLimit)
		if err != nil {
			return nil, fmt.Errorf("cannot reach %s: %w", s.TCP, err)
		}
		return l, nil
	case s.RTUTCP != "":
		d := net.Dialer{Timeout: dialLimit}
		conn, err := d.DialContext(ctx, "tcp", s.RTUTCP)
		if err != nil {
			return nil, fmt.Errorf("cannot reach %s: %w", s.RTUTCP, err)
		}
		r := b.rtuOn(&netWire{Conn: conn}, 250*time.Millisecond)
		r.patience = 3
		return r, nil
	}
	w, err := serial.Open(s.Port, s.Mode)
	if err != nil {
		return nil, err
	}
	r := b.rtuOn(w, 50*time.Millisecond)
	r.paced = isPaced(s.Port)
	r.patience = 20
	return r, nil
}

// rtuOn speaks RTU on an open wire. A silence of gap within a frame ends it: adapters and
// networks hold bytes back for some milliseconds.
func (b *Bus) rtuOn(w serial.Wire, gap time.Duration) *rtu {
	return &rtu{wire: w, past: &b.past, char: b.settings.Char(), rest: pause35(b.settings.Baud), gap: gap, heard: time.Now()}
}

// String names the line for people.
func (b *Bus) String() string { return b.settings.String() }

// Reply is an answer, and how often the line had been opened when it came: a device met
// after that number has changed may be another one.
type Reply struct {
	Regs   []uint16
	Opened int
}

// Ask asks one question. The error is a [collector.Error] and does not name the registers
// or the line. An answer that could be that to another question is not given: where a.Spare
// allows, more registers are asked for so that it can be told; else the line is listened to
// until nothing else can come.
func (b *Bus) Ask(ctx context.Context, a Ask) (Reply, error) {
	if err := b.take(ctx); err != nil {
		return Reply{}, err
	}
	defer func() { b.turn <- struct{}{} }()
	if err := b.ready(ctx); err != nil {
		return Reply{}, err
	}
	u := b.unit(a.Unit)
	defer b.publish(a.Unit, u)
	wait := u.pace.wait()
	got, err := b.link.ask(ctx, a, terms{remaining(ctx, wait), u.pause, u.pace.late()})
	switch {
	case err == nil, collector.KindOf(err) == collector.Exception:
		u.pace.answered(got.took)
	case collector.KindOf(err) == collector.Timeout && remaining(ctx, wait) == wait:
		u.pace.miss()
	}
	if !b.link.alive() {
		_ = b.link.close() // it is lost already; the reason is in err
		b.link = nil
	}
	return Reply{got.regs, b.opened}, err
}

// publish shows what was learned to those who do not have the turn.
func (b *Bus) publish(id byte, u *unit) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.strangers = b.past.traffic.frames
	b.troubled = b.past.recent.troubled(time.Now())
	b.usual[id] = u.pace.usual() + u.pause
}

// take waits for our turn.
func (b *Bus) take(ctx context.Context) error {
	select {
	case <-b.turn:
		return nil
	case <-ctx.Done():
		return collector.Errorf(collector.Timeout, "the line was busy: %w", ctx.Err())
	}
}

// ready opens the line unless it is open.
func (b *Bus) ready(ctx context.Context) error {
	if b.link != nil {
		return nil
	}
	if left := time.Until(b.closed); left > 0 {
		return collector.Errorf(collector.Port, "%w; tried again in %s", b.why, left.Round(100*time.Millisecond))
	}
	l, err := b.dial(ctx)
	if err != nil {
		b.why = err
		b.closed = time.Now().Add(b.retry.NextBackOff())
		return &collector.Error{Kind: collector.Port, Err: err}
	}
	b.retry.Reset()
	b.link = l
	b.opened++
	return nil
}

// unit gives what is known of a unit. The caller has the turn.
func (b *Bus) unit(id byte) *unit {
	u, known := b.units[id]
	if !known {
		u = &unit{pace: pace{first: time.Second}}
		b.units[id] = u
	}
	return u
}

// Declare says how a unit wants to be asked: how long to wait for an answer before that
// was learned, and the silence it needs before a question.
func (b *Bus) Declare(id byte, first, pause time.Duration) {
	<-b.turn
	defer func() { b.turn <- struct{}{} }()
	u := b.unit(id)
	u.pace.first = first
	u.pause = max(u.pause, pause)
	b.publish(id, u)
}

// Strangers counts the frames of other masters that were heard on the line so far.
func (b *Bus) Strangers() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.strangers
}

// Hasty lets a line that was never heard to speak out of turn be asked without waiting for what
// might come all the same: for a survey, which asks thousands of questions and looks twice.
func (b *Bus) Hasty() {
	<-b.turn
	b.past.recent.hasty = true
	b.turn <- struct{}{}
}

// troubleCost is what each question costs more on a line that speaks out of turn: then a plan
// with as few of them as the device allows is the best one.
const troubleCost = 300 * time.Millisecond

// Close closes the line. It is opened again by the next question.
func (b *Bus) Close() error {
	<-b.turn
	defer func() { b.turn <- struct{}{} }()
	if b.link == nil {
		return nil
	}
	err := b.link.close()
	b.link = nil
	return err
}

// cost is what a question to a unit takes, for planning: once, and for each register.
func (b *Bus) cost(id byte) cost {
	b.mu.Lock()
	usual, known := b.usual[id]
	troubled := b.troubled
	b.mu.Unlock()
	if !known {
		usual = 10 * time.Millisecond
	}
	if troubled {
		usual += troubleCost
	}
	s := b.settings
	if s.TCP != "" {
		return cost{ask: max(usual, time.Millisecond), register: 20 * time.Microsecond}
	}
	return cost{
		ask:      time.Duration(requestSize+exceptionSize)*s.Char() + 2*pause35(s.Baud) + usual,
		register: 2 * s.Char(),
	}
}
