package sender

import (
	"cmp"
	"context"
	"fmt"
	"sync"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
)

// sendLimit is how long one delivery may take. A channel that hangs delays no other.
const sendLimit = 60 * time.Second

// Channel is one way to the owner: what it takes, and what carries it there.
type Channel struct {
	outbox.Channel
	Sender alert.Channel
}

// Result is how a delivery went. Err is nil when it was taken.
type Result struct {
	Delivery outbox.Delivery
	Err      error
}

// Outgoing is the outbox with the goroutines that empty it. All methods belong to one
// goroutine; it keeps [Outgoing.State] after Put and Due, before it calls HandOut, and after
// Done.
type Outgoing struct {
	box     outbox.Box
	state   outbox.State
	live    []Channel
	slots   map[string]chan outbox.Delivery
	stand   map[string]chan []alert.Notice // what is active, for channels that forget
	results chan Result
}

// New takes up what the last run kept. Speed is that of simulated time against real time, 1
// for a real node: the waits between tries are stretched by it.
func New(live []Channel, kept outbox.State, speed float64) *Outgoing {
	p := &Outgoing{
		state: kept, live: live, results: make(chan Result, 16),
		slots: map[string]chan outbox.Delivery{}, stand: map[string]chan []alert.Notice{},
	}
	p.box.Base = time.Duration(15 * speed * float64(time.Second))
	p.box.Cap = 120 * p.box.Base
	for _, c := range live {
		p.box.Channels = append(p.box.Channels, c.Channel)
		p.slots[c.Name] = make(chan outbox.Delivery, 1)
		if _, forgets := c.Sender.(alert.Resender); forgets {
			p.stand[c.Name] = make(chan []alert.Notice, 1)
		}
	}
	return p
}

// Start runs one sender for each channel until the context ends.
func (p *Outgoing) Start(ctx context.Context, workers *sync.WaitGroup) {
	for _, c := range p.live {
		workers.Go(func() { send(ctx, c.Sender, p.slots[c.Name], p.results) })
		if r, forgets := c.Sender.(alert.Resender); forgets {
			workers.Go(func() { resend(ctx, r, p.stand[c.Name]) })
		}
	}
}

// Standing shows what is active to the channels whose receivers forget; the newest counts.
func (p *Outgoing) Standing(active func() []alert.Notice) {
	for _, slot := range p.stand {
		select {
		case <-slot:
		default:
		}
		slot <- active()
	}
}

// resend repeats what is active as often as the channel wants. A failure needs no care: it
// is sent again in any case.
func resend(ctx context.Context, r alert.Resender, active <-chan []alert.Notice) {
	tick := time.NewTicker(r.Every())
	defer tick.Stop()
	var newest []alert.Notice
	for {
		select {
		case <-ctx.Done():
			return
		case newest = <-active:
		case <-tick.C:
			limit, cancel := context.WithTimeout(ctx, sendLimit)
			_ = r.Resend(limit, newest)
			cancel()
		}
	}
}

func send(ctx context.Context, c alert.Channel, in <-chan outbox.Delivery, out chan<- Result) {
	for {
		select {
		case <-ctx.Done():
			return
		case d := <-in:
			r := Result{d, Once(ctx, c, d.Notice)}
			select {
			case out <- r:
			case <-ctx.Done():
				return
			}
		}
	}
}

// Once sends a notice through a channel. It bounds the time and turns a panic of a channel
// into an error: no channel may take the node down.
func Once(ctx context.Context, c alert.Channel, n alert.Notice) (err error) {
	ctx, cancel := context.WithTimeout(ctx, sendLimit)
	defer cancel()
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("cannot send: the channel failed: %v", p)
		}
	}()
	return c.Send(ctx, n)
}

// Put queues a notice.
func (p *Outgoing) Put(n alert.Notice, now time.Time) { p.state = p.box.Put(p.state, n, now) }

// Due takes what is to be sent now out of the outbox. What comes of it must be kept before
// it is handed out: otherwise a kill could undo a merge that was sent.
func (p *Outgoing) Due(now time.Time) (deliveries []outbox.Delivery) {
	p.state, deliveries = p.box.Due(p.state, now)
	return deliveries
}

// HandOut gives deliveries to the senders. A slot is free whenever its channel has nothing
// on its way, so this never waits.
func (p *Outgoing) HandOut(deliveries []outbox.Delivery) {
	for _, d := range deliveries {
		p.slots[d.Channel] <- d
	}
}

// Results gives the outcomes, each to be handed to Done.
func (p *Outgoing) Results() <-chan Result { return p.results }

// Done notes an outcome.
func (p *Outgoing) Done(r Result, now time.Time) {
	p.state = p.box.Done(p.state, r.Delivery, r.Err, now)
}

// State is what must survive a restart.
func (p *Outgoing) State() outbox.State { return p.state }

// Status is how a channel does: how many notices wait, how many came to what, and what the
// last try failed with.
type Status struct {
	Name     string
	Waiting  int
	Outcomes map[string]float64 // sent, failed, refused, dropped, merged
	Err      string
	Refusing int // notices that wait because the receiver turned them down
}

// Status tells how each channel does, in the order of the configuration.
func (p *Outgoing) Status() []Status {
	var out []Status
	for _, c := range p.live {
		q := p.state.Queues[c.Name]
		refusing, why := q.Refusing()
		out = append(out, Status{
			Name: c.Name, Waiting: len(q.Items), Err: cmp.Or(q.Err, why), Refusing: refusing,
			Outcomes: map[string]float64{
				"sent": float64(q.Sent), "failed": float64(q.Failed), "refused": float64(q.Refused),
				"dropped": float64(q.Dropped), "merged": float64(q.Merged),
			},
		})
	}
	return out
}
