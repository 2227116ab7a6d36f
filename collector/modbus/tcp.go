package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"time"

	mb "github.com/goburrow/modbus"

	"ebbwatch/collector"
)

// tcp speaks Modbus/TCP through the library. Any failure but a refusal by the device
// closes the connection: what comes later on it could not be trusted.
type tcp struct {
	handler *mb.TCPClientHandler
	lost    bool
}

func dialTCP(ctx context.Context, address string, limit time.Duration) (*tcp, error) {
	h := mb.NewTCPClientHandler(address)
	h.IdleTimeout = 0 // polls keep it in use
	h.Timeout = remaining(ctx, limit)
	if err := h.Connect(); err != nil {
		return nil, err
	}
	return &tcp{handler: h}, nil
}

// remaining is the time until the context ends, at most limit.
func remaining(ctx context.Context, limit time.Duration) time.Duration {
	if end, ok := ctx.Deadline(); ok {
		return max(min(limit, time.Until(end)), time.Millisecond)
	}
	return limit
}

func (t *tcp) alive() bool { return !t.lost }

func (t *tcp) close() error { return t.handler.Close() }

func (t *tcp) ask(ctx context.Context, a Ask, by terms) (answer, error) {
	t.handler.SlaveId = a.Unit
	t.handler.Timeout = remaining(ctx, by.wait)
	began := time.Now()
	regs, err := query(mb.NewClient2(t.handler, t), a)
	if err == nil {
		return answer{regs, time.Since(began)}, nil
	}
	if collector.KindOf(err) == collector.Exception {
		return answer{took: time.Since(began)}, err
	}
	t.lost = true
	var typed *collector.Error
	if !errors.As(err, &typed) { // what only the library noticed
		err = collector.Errorf(collector.Short, "the answer is no Modbus: %w", err)
	}
	return answer{}, err
}

// Send carries one frame through the library's connection and checks whose answer it is.
func (t *tcp) Send(request []byte) ([]byte, error) {
	got, err := t.handler.Send(request)
	if err != nil {
		return nil, networkError(err, t.handler.Timeout)
	}
	switch {
	case len(got) < 9:
		return nil, collector.Errorf(collector.Short, "the answer has only %d bytes: % X", len(got), got)
	case binary.BigEndian.Uint16(got) != binary.BigEndian.Uint16(request):
		return nil, collector.Errorf(collector.Foreign, "the answer is to question %d instead of %d",
			binary.BigEndian.Uint16(got), binary.BigEndian.Uint16(request))
	case got[6] != request[6]:
		return nil, collector.Errorf(collector.Foreign, "the answer is from unit %d", got[6])
	}
	return got, nil
}

// networkError sorts what a connection says.
func networkError(err error, waited time.Duration) error {
	var n net.Error
	if errors.As(err, &n) && n.Timeout() {
		return collector.Errorf(collector.Timeout, "no answer within %s", waited.Round(time.Millisecond))
	}
	var op *net.OpError
	if errors.As(err, &op) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return collector.Errorf(collector.Port, "the connection is lost: %w", err)
	}
	return collector.Errorf(collector.Short, "the answer is no Modbus: %w", err) // the library's own words
}
