package node

import (
	"context"
	"fmt"
	"sync"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/cmd/internal/facts"
)

// sendLimit is how long one delivery may take. A channel that hangs delays no other.
const sendLimit = 60 * time.Second

// post keeps the outbox and the goroutines that empty it, one for each channel. All its
// methods but the senders belong to the loop.
type post struct {
	box     outbox.Box
	state   outbox.State
	live    []LiveChannel
	slots   map[string]chan outbox.Delivery
	stand   map[string]chan []alert.Notice // what is active, for channels that forget
	results chan<- result
}

// result is how a delivery went.
type result struct {
	delivery outbox.Delivery
	err      error
}

func newPost(live []LiveChannel, state outbox.State, results chan<- result, speed float64) post {
	p := post{
		state: state, live: live, results: results,
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

// start runs one sender for each channel.
func (p *post) start(ctx context.Context, workers *sync.WaitGroup) {
	for _, c := range p.live {
		workers.Go(func() { send(ctx, c.Sender, p.slots[c.Name], p.results) })
		if r, forgets := c.Sender.(alert.Resender); forgets {
			workers.Go(func() { resend(ctx, r, p.stand[c.Name]) })
		}
	}
}

// standing shows what is active to the channels whose receivers forget; the newest counts.
func (p *post) standing(active func() []alert.Notice) {
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

func send(ctx context.Context, c alert.Channel, in <-chan outbox.Delivery, out chan<- result) {
	for {
		select {
		case <-ctx.Done():
			return
		case d := <-in:
			r := result{d, SendOnce(ctx, c, d.Notice)}
			select {
			case out <- r:
			case <-ctx.Done():
				return
			}
		}
	}
}

// SendOnce sends a notice through a channel. It bounds the time and turns a panic of a channel into an error: no channel may
// take the node down.
func SendOnce(ctx context.Context, c alert.Channel, n alert.Notice) (err error) {
	ctx, cancel := context.WithTimeout(ctx, sendLimit)
	defer cancel()
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("cannot send: the channel failed: %v", p)
		}
	}()
	return c.Send(ctx, n)
}

func (p *post) put(n alert.Notice, now time.Time) { p.state = p.box.Put(p.state, n, now) }

// due takes what is to be sent now out of the outbox. What comes of it must be kept before
// it is handed out: otherwise a kill could undo a merge that was sent.
func (p *post) due(now time.Time) (deliveries []outbox.Delivery) {
	p.state, deliveries = p.box.Due(p.state, now)
	return deliveries
}

// handOut gives deliveries to the senders. A slot is free whenever its channel has nothing
// on its way, so this never waits.
func (p *post) handOut(deliveries []outbox.Delivery) {
	for _, d := range deliveries {
		p.slots[d.Channel] <- d
	}
}

func (p *post) done(r result, now time.Time) {
	p.state = p.box.Done(p.state, r.delivery, r.err, now)
}

// facts tells how each channel does.
func (p *post) facts() []facts.Channel {
	var out []facts.Channel
	for _, c := range p.live {
		q := p.state.Queues[c.Name]
		out = append(out, facts.Channel{
			Name: c.Name, Waiting: len(q.Items), Err: q.Err,
			Outcomes: map[string]float64{
				"sent": float64(q.Sent), "failed": float64(q.Failed), "refused": float64(q.Refused),
				"dropped": float64(q.Dropped), "merged": float64(q.Merged),
			},
		})
	}
	return out
}
