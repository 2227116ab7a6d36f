package node

import (
	"context"
	"sync"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/cmd/internal/facts"
)

// Outgoing is the outbox with its senders, for a daemon that has no [Loop] of its own. All
// methods belong to one goroutine; it persists [Outgoing.State] after Put and Due, before it
// calls HandOut, and after Done.
type Outgoing struct {
	post    post
	results chan Result
}

// Result is how a delivery went.
type Result = result

// Channel names the channel of the delivery.
func (r result) Channel() string { return r.delivery.Channel }

// Err is why the delivery failed; nil when it did not.
func (r result) Err() error { return r.err }

// NewOutgoing takes up what the last run kept.
func NewOutgoing(live []LiveChannel, kept outbox.State) *Outgoing {
	o := &Outgoing{results: make(chan Result, 16)}
	o.post = newPost(live, kept, o.results, 1)
	return o
}

// Start runs one sender for each channel until the context ends.
func (o *Outgoing) Start(ctx context.Context, workers *sync.WaitGroup) { o.post.start(ctx, workers) }

// Put queues a notice.
func (o *Outgoing) Put(n alert.Notice, now time.Time) { o.post.put(n, now) }

// Due takes what is to be sent now out of the outbox. The state that comes of it must be
// kept before [Outgoing.HandOut]: otherwise a kill could undo a merge that was sent.
func (o *Outgoing) Due(now time.Time) (deliveries []outbox.Delivery) {
	o.post.state, deliveries = o.post.box.Due(o.post.state, now)
	return deliveries
}

// HandOut gives deliveries to the senders. It never waits: nothing is due on a channel that
// has something on its way.
func (o *Outgoing) HandOut(deliveries []outbox.Delivery) {
	for _, d := range deliveries {
		o.post.slots[d.Channel] <- d
	}
}

// Standing shows what is active to channels whose receivers forget.
func (o *Outgoing) Standing(active func() []alert.Notice) { o.post.standing(active) }

// Results gives the outcomes, each to be handed to Done.
func (o *Outgoing) Results() <-chan Result { return o.results }

// Done notes an outcome.
func (o *Outgoing) Done(r Result, now time.Time) { o.post.done(r, now) }

// State is what must survive a restart.
func (o *Outgoing) State() outbox.State { return o.post.state }

// Facts tells how each channel does.
func (o *Outgoing) Facts() []facts.Channel { return o.post.facts() }
