package remotewrite

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/prometheus/client_golang/exp/api/remote"
)

// again is how long a server is taken for one that speaks 1.0 only: it may be replaced.
const again = 24 * time.Hour

// send sends one message and says what became of it; see [probe.verdict].
func (w *Writer) send(ctx context.Context, lots []lot) error {
	if w.message == remote.WriteV1MessageType && time.Since(w.downgraded) > again {
		w.message = remote.WriteV2MessageType
	}
	err := w.post(ctx, w.message, lots)
	if err == nil {
		w.speaks2 = w.speaks2 || w.message == remote.WriteV2MessageType
		return nil
	}
	refused := w.speaks2 && w.probe.last.status == http.StatusBadRequest // what it can read
	if w.message == remote.WriteV1MessageType || refused || !w.probe.knowsNot2() {
		return err
	}
	if err := w.post(ctx, remote.WriteV1MessageType, lots); err != nil {
		return err
	}
	w.message, w.downgraded, w.speaks2 = remote.WriteV1MessageType, time.Now(), false
	return nil
}

func (w *Writer) post(ctx context.Context, kind remote.WriteMessageType, lots []lot) error {
	w.probe.last = answer{}
	var message any = requestV2(lots)
	if kind == remote.WriteV1MessageType {
		message = requestV1(lots)
	}
	_, err := w.api.Write(ctx, kind, message)
	return w.probe.verdict(err)
}

// deliver sends samples. Those that the server will not have are found by halving, so that one
// bad sample takes no other along, and are given back once it is sure that it is them: the same
// server takes a message without samples, and refuses each of them twice. An error means that all
// must be sent again.
func (w *Writer) deliver(ctx context.Context, lots []lot) (refused int, err error) {
	err = w.send(ctx, lots)
	if !errors.Is(err, errRefused) {
		return 0, err
	}
	if empty := w.send(ctx, nil); empty != nil {
		return 0, err // whoever answers refuses everything
	}
	d := delivery{w: w}
	if err := d.halve(ctx, lots); err != nil {
		return 0, err
	}
	for _, l := range d.alone {
		err := w.send(ctx, l)
		switch {
		case errors.Is(err, errRefused) && !w.probe.last.page:
			refused += count(l)
			w.o.Log.Warn("samples are refused and left out", "series", l[0].labels, "samples", count(l), "err", err)
		case err != nil:
			return 0, err
		}
	}
	return refused, nil
}

// delivery is the search for what a server will not have.
type delivery struct {
	w     *Writer
	alone [][]lot
	// whole is true once every sample of one moment was refused: what is refused after that, such
	// as all that is too old, is not taken apart further.
	whole bool
}

// halve sends both halves of samples that were refused together.
func (d *delivery) halve(ctx context.Context, lots []lot) error {
	moment := oneMoment(lots)
	if count(lots) == 1 || moment && d.whole {
		d.alone = append(d.alone, lots)
		return nil
	}
	before := len(d.alone)
	for _, half := range halves(lots) {
		err := d.w.send(ctx, half)
		if errors.Is(err, errRefused) {
			err = d.halve(ctx, half)
		}
		if err != nil {
			return fmt.Errorf("a part of the samples: %w", err)
		}
	}
	d.whole = d.whole || moment && len(d.alone)-before == count(lots)
	return nil
}

// oneMoment tells whether all samples are of the same time.
func oneMoment(lots []lot) bool {
	first := lots[0].at[0]
	return !slices.ContainsFunc(lots, func(l lot) bool { return l.at[0] != first || l.at[len(l.at)-1] != first })
}

// halves parts samples by time, and those of one moment by series.
func halves(lots []lot) [2][]lot {
	if oneMoment(lots) {
		return [2][]lot{lots[:len(lots)/2], lots[len(lots)/2:]}
	}
	first, last := lots[0].at[0], lots[0].at[0]
	for _, l := range lots {
		first, last = min(first, l.at[0]), max(last, l.at[len(l.at)-1])
	}
	middle := first + (last-first)/2 // the first half holds first, the second last
	var out [2][]lot
	for _, l := range lots {
		n, _ := slices.BinarySearch(l.at, middle+1)
		for i, part := range [2]lot{{l.series, l.at[:n], l.x[:n]}, {l.series, l.at[n:], l.x[n:]}} {
			if len(part.at) > 0 {
				out[i] = append(out[i], part)
			}
		}
	}
	return out
}
