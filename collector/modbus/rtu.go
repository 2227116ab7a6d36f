package modbus

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"time"

	mb "github.com/goburrow/modbus"

	"ebbwatch/collector"
	"ebbwatch/collector/serial"
)

const (
	writeLimit = 2 * time.Second // a line that takes no bytes for so long is stuck
	chatter    = 2 * time.Second // a line that is never silent for so long cannot be used
	slice      = 200 * time.Millisecond
	strayLimit = 1024
	tries      = 3               // ways to ask one question
	holdLimit  = 3 * time.Second // others wait for the line
)

// history is what is known of a line, and outlives its being closed and opened again.
type history struct {
	recent   recent
	traffic  traffic
	late     func(unit byte)      // an answer came after it was given up
	ours     func(unit byte) bool // a unit that is asked here
	question []byte               // the last one
}

// rtu speaks RTU frames on a wire: it writes, then reads exactly the answer that was asked
// for, and listens for silence before it speaks again.
type rtu struct {
	wire  serial.Wire
	past  *history
	char  time.Duration // one character; 0 where they take no time
	rest  time.Duration // silence between frames
	gap   time.Duration // silence within a frame that ends it
	paced bool          // characters take their time on the wire

	patience int // questions in a row without an answer, until the line is opened again
	missed   int

	free  time.Time // the line is not spoken on before
	heard time.Time // when anything was last heard or said
	since time.Time // nobody listened between then and what is looked at now
	ears  time.Time // when somebody last listened
	stuck chan error
	lost  bool
}

func (r *rtu) alive() bool { return !r.lost }

// close waits for a write that is stuck: a descriptor must not be closed, and its number
// used again, under a write.
func (r *rtu) close() error {
	if r.stuck == nil {
		return r.wire.Close()
	}
	go func() {
		<-r.stuck
		_ = r.wire.Close() // it is lost already
	}()
	return nil
}

// ask asks one question, and again in another way where its answer could be another's.
func (r *rtu) ask(ctx context.Context, a Ask, t terms) (answer, error) {
	if left := time.Until(r.past.traffic.hold); left > 0 {
		return answer{}, collector.Errorf(collector.Foreign,
			"another master speaks on the line, nothing is asked for another %s", left.Round(100*time.Millisecond))
	}
	r.past.recent.began = time.Now()
	var doubt time.Time // until then, what was heard could be meant for another question
	for try := 1; ; try++ {
		if err := r.settle(ctx, t.pause); err != nil {
			return answer{}, err
		}
		q, err := r.choose(ctx, a, doubt, t.pause)
		if err != nil {
			return answer{}, err
		}
		got, doubted, err := r.once(ctx, q, t)
		var refusal *exceptionError
		switch {
		case err == nil:
			got.regs = got.regs[:a.Count]
			return got, nil
		case errors.As(err, &refusal) && q.Count > a.Count && (refusal.code == 2 || refusal.code == 3) && try < tries:
			r.past.recent.tooWide(a)
		case (errors.Is(err, errAlike) || refusal != nil && refusal.unsure) && time.Until(doubted) < holdLimit && try < tries:
			doubt = doubted
		default:
			return got, err
		}
	}
}

// choose finds the question whose answer can be no other's, and waits where there is none yet.
func (r *rtu) choose(ctx context.Context, a Ask, doubt time.Time, pause time.Duration) (Ask, error) {
	end := time.Now().Add(holdLimit)
	for {
		now := time.Now()
		q, wait := r.past.recent.choose(a, doubt, now)
		switch {
		case wait.IsZero():
			return q, nil
		case ctx.Err() != nil:
			return q, collector.Errorf(collector.Timeout, "%w: %w", errWait, ctx.Err())
		case now.After(end):
			return q, collector.Errorf(collector.Foreign,
				"its answer could not be told from one to an earlier question that may come for another %s",
				wait.Sub(now).Round(100*time.Millisecond))
		}
		r.free = now.Add(min(wait.Sub(now), slice))
		if err := r.settle(ctx, pause); err != nil {
			return q, err
		}
	}
}

// once asks, and keeps the books of what may still come and who else speaks. Where what it heard
// may be meant for another question, it says until when.
func (r *rtu) once(ctx context.Context, a Ask, t terms) (got answer, doubt time.Time, err error) {
	h := mb.NewRTUClientHandler("") // packs and checks; its own port is never opened
	h.SlaveId = a.Unit
	call := &rtuCall{r: r, ctx: ctx, wait: t.wait, ask: a}
	rec := &r.past.recent
	r.since = time.Now()
	rec.add(a, t.late, r.since)
	regs, err := query(mb.NewClient2(h, call), a)
	now := time.Now()
	switch {
	case err == nil:
		r.missed = 0
		rec.answered(call.frame, now)
		r.past.traffic.clean()
		return answer{regs, call.took}, doubt, nil
	case collector.KindOf(err) == collector.Exception:
		rec.answered(call.frame, now)
		return answer{took: call.took}, doubt, err
	case call.alike != nil:
		rec.same(call.alike, now)
		return answer{}, rec.copyUntil(a, call.alike, now), collector.Errorf(collector.Foreign, "%w", errAlike)
	case call.refused != nil:
		rec.last().frame, rec.last().heard = call.refused, now // and an answer may come yet
		refusal := &exceptionError{code: call.refused[2], unsure: true}
		return answer{}, rec.refusalUntil(now), &collector.Error{Kind: collector.Exception, Err: refusal}
	case collector.KindOf(err) == collector.Timeout:
		// A device that answers late mostly does so soon: leave the line to it for a while.
		r.free = now.Add(min(t.wait, 300*time.Millisecond))
		rec.silent = now
		if r.missed++; r.patience > 0 && r.missed >= r.patience {
			r.lost = true // a connection may be dead and not say so; an adapter may hang
		}
	default:
		r.free = now.Add(max(4*r.rest, 20*time.Millisecond))
		if call.began {
			rec.spoilt(now)
		}
	}
	r.past.traffic.collided(now)
	return answer{}, doubt, err
}

// settle waits until nobody speaks. What it hears meanwhile nobody here asked for.
func (r *rtu) settle(ctx context.Context, pause time.Duration) error {
	began := time.Now()
	r.since = r.ears
	var strays []byte
	for {
		now := time.Now()
		until := r.heard.Add(max(r.rest, pause, r.past.traffic.silence(now)))
		if r.free.After(until) {
			until = r.free
		}
		got, err := r.listen(ctx, until)
		if err != nil {
			return err
		}
		if len(got) == 0 {
			if r.judge(strays, time.Now()) > 0 && r.heard.Add(r.past.traffic.silence(now)).After(time.Now()) {
				strays = nil // another master is about: wait for a longer pause
				continue
			}
			return nil
		}
		strays = append(strays, got[:min(len(got), strayLimit-len(strays))]...)
		if time.Since(began) > chatter {
			r.judge(strays, time.Now())
			return collector.Errorf(collector.Foreign, "the line is never silent: % X", clip(strays))
		}
	}
}

// judge sorts what was heard unasked, and counts the frames of other masters.
func (r *rtu) judge(strays []byte, now time.Time) (foreign int) {
	for rest := strays; len(rest) > 0; {
		f := firstFrame(rest)
		if f == nil {
			break
		}
		rest = rest[bytes.Index(rest, f)+len(f):]
		switch {
		case bytes.Equal(f, r.past.question): // our own words
		case r.stray(f, now):
		case len(f) != requestSize && r.past.ours(f[0]):
			r.past.recent.copied, r.past.recent.belated = now, now // an answer by a device of ours, out of turn
		default:
			foreign++
		}
	}
	r.past.traffic.heard(foreign, now)
	return foreign
}

// stray tells whether a frame belongs to an earlier question of ours.
func (r *rtu) stray(f []byte, now time.Time) bool {
	known, late := r.past.recent.stray(f, r.since, now)
	if late {
		r.past.late(f[0])
	}
	return known
}

// listen waits for bytes until a moment; none is no error. With the moment passed it takes
// what is already there.
func (r *rtu) listen(ctx context.Context, until time.Time) ([]byte, error) {
	var buf [512]byte
	for {
		d := max(0, min(time.Until(until), slice))
		if err := r.wire.SetReadTimeout(d); err != nil {
			return nil, r.fail("cannot listen", err)
		}
		n, err := r.wire.Read(buf[:])
		r.ears = time.Now()
		if err != nil {
			return nil, r.fail("cannot read", err)
		}
		if n > 0 {
			r.heard = time.Now()
			return buf[:n], nil
		}
		if !time.Now().Before(until) {
			return nil, nil
		}
		if err := ctx.Err(); err != nil {
			return nil, collector.Errorf(collector.Timeout, "%w: %w", errWait, err)
		}
	}
}

// fail marks the wire as lost.
func (r *rtu) fail(what string, err error) error {
	r.lost = true
	return collector.Errorf(collector.Port, "%s: the line is lost: %w", what, err)
}

// write says the question. A write to a line that takes nothing cannot be called back, so
// it runs beside us, and nothing else is written until it has ended.
func (r *rtu) write(p []byte) error {
	done := make(chan error, 1)
	go func() {
		n, err := r.wire.Write(p)
		if err == nil && n < len(p) {
			err = errors.New("it takes only a part")
		}
		done <- err
	}()
	limit := time.NewTimer(writeLimit)
	defer limit.Stop()
	select {
	case err := <-done:
		if err != nil {
			return r.fail("cannot write", err)
		}
		return nil
	case <-limit.C:
		r.stuck = done
		return r.fail("cannot write", errors.New("it takes no bytes"))
	}
}

// rtuCall is one question on its way; it is the library's transporter.
type rtuCall struct {
	r    *rtu
	ctx  context.Context
	wait time.Duration
	ask  Ask

	took    time.Duration
	frame   []byte // the answer
	alike   []byte // an answer that may be a copy of another question's
	refused []byte // a refusal that may be meant for another question
	began   bool   // an answer began and could not be used
}

// Send says the question and hears the answer.
func (c *rtuCall) Send(request []byte) ([]byte, error) {
	r := c.r
	began := time.Now()
	r.past.question = request
	if err := r.write(request); err != nil {
		return nil, err
	}
	sent := began
	if r.paced {
		sent = began.Add(time.Duration(len(request)) * r.char)
	}
	r.heard = sent
	got, err := c.receive(request, sent)
	if err != nil && !r.lost && len(got) > 0 {
		c.began = len(got) > 2 && header(request, got) > 0
		r.judge(got, time.Now())
	}
	c.frame = got
	return got, err
}

// receive reads until the answer is whole, is wrong, or does not come.
func (c *rtuCall) receive(request []byte, sent time.Time) ([]byte, error) {
	var got []byte
	need, until := exceptionSize, sent.Add(c.wait)
	for {
		part, err := c.r.listen(c.ctx, until)
		now := time.Now()
		switch {
		case err != nil:
			return got, err
		case len(part) == 0 && len(got) == 0:
			return nil, collector.Errorf(collector.Timeout, "no answer within %s", c.wait.Round(time.Millisecond))
		case len(part) == 0:
			return got, unfinished(request, got, need)
		case len(got) == 0:
			c.took = max(0, now.Sub(sent))
			// Nobody can answer before the question was said: on a line where characters take
			// their time this is an answer to an earlier question.
			if c.r.paced && now.Add(2*c.r.char).Before(sent) {
				got = c.rest(append(got, part...))
				return got, collector.Errorf(collector.Foreign, "the answer began before the question ended: % X", clip(got))
			}
		}
		got = c.dropStrays(request, append(got, part...))
		if len(got) == 0 {
			need, until = exceptionSize, c.until(sent)
			continue
		}
		frame, more, err := inspect(request, got)
		if frame != nil {
			return c.whole(frame, got)
		}
		if err != nil {
			all := c.rest(got) // with all of it there, the reason can be told better
			if got = c.dropStrays(request, all); len(got) == 0 {
				need, until = exceptionSize, c.until(sent)
				continue
			}
			frame, _, better := inspect(request, got)
			if frame != nil {
				return c.whole(frame, got)
			}
			return got, cmp.Or(better, err)
		}
		need = more
		if !bytes.HasPrefix(request, got) { // more than our own echo: the answer has begun
			left := time.Duration(need-len(got)) * c.r.char
			until = now.Add(c.r.gap + left*5/4)
			if c.r.paced && left > 4*c.r.char {
				// Waking for each character would cost ten times the processor.
				time.Sleep(left - 3*c.r.char)
			}
		}
	}
}

// until is how long the answer is waited for. What may have been it is asked for again soon.
func (c *rtuCall) until(sent time.Time) time.Time {
	if c.alike != nil || c.refused != nil {
		return sent.Add(min(c.wait, paceFloor))
	}
	return sent.Add(c.wait)
}

// dropStrays takes off the whole frames at the beginning that belong to earlier questions, or
// may: what is waited for is the answer to this one.
func (c *rtuCall) dropStrays(request, got []byte) []byte {
	now, rec := time.Now(), &c.r.past.recent
	for {
		f := leadingFrame(got)
		switch {
		case f == nil || bytes.Equal(f, request):
			return got
		case header(request, f) != len(f):
			if !c.r.stray(f, now) {
				return got
			}
		case len(f) == exceptionSize:
			if rec.refusalUntil(now).IsZero() {
				return got
			}
			c.refused = f
		default:
			if rec.copyUntil(c.ask, f, now).IsZero() {
				return got
			}
			c.alike = f
		}
		got = got[len(f):]
	}
}

// whole accepts an answer if nothing follows it.
func (c *rtuCall) whole(frame, got []byte) ([]byte, error) {
	more, err := c.r.listen(c.ctx, time.Time{})
	if err != nil || len(more) == 0 {
		return frame, err
	}
	got = c.rest(append(got, more...))
	return got, collector.Errorf(collector.Foreign, "more follows the answer: % X", clip(got[len(frame):]))
}

// rest hears a wrong answer out.
func (c *rtuCall) rest(got []byte) []byte {
	for len(got) < strayLimit {
		more, err := c.r.listen(c.ctx, time.Now().Add(max(c.r.gap/2, 4*c.r.rest)))
		if err != nil || len(more) == 0 {
			break
		}
		got = append(got, more...)
	}
	return got
}
