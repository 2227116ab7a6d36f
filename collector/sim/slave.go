package sim

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"
)

// Functions and exceptions of the Modbus Application Protocol V1.1b3, 6 and 7.
const (
	ReadHolding = 3
	ReadInput   = 4

	illegalFunction = 1
	IllegalAddress  = 2
	illegalCount    = 3
	DeviceFailed    = 4
	noPath          = 11

	mostRegisters = 125
)

// Slave answers the two reading functions for one unit, and refuses every other. It is a
// device's half of the wire, for demonstrations and tests.
type Slave struct {
	Unit byte
	// Registers gives count registers of the table that the function reads. A code other
	// than 0 is sent as an exception; no registers and no code means silence. It may be
	// called from several connections at once.
	Registers func(function byte, address, count int) (regs []uint16, code byte)
}

// answer is the protocol's data that answers a question, or nothing to stay silent.
func (s *Slave) answer(pdu []byte) []byte {
	if len(pdu) == 0 {
		return nil
	}
	refuse := func(code byte) []byte { return []byte{pdu[0] | 0x80, code} }
	if pdu[0] != ReadHolding && pdu[0] != ReadInput {
		return refuse(illegalFunction)
	}
	if len(pdu) != 5 {
		return refuse(illegalCount)
	}
	address, count := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	switch {
	case count < 1 || count > mostRegisters:
		return refuse(illegalCount)
	case address+count > 65536:
		return refuse(IllegalAddress)
	}
	regs, code := s.Registers(pdu[0], address, count)
	switch {
	case code != 0:
		return refuse(code)
	case len(regs) != count:
		return nil
	}
	out := []byte{pdu[0], byte(2 * count)}
	for _, r := range regs {
		out = binary.BigEndian.AppendUint16(out, r)
	}
	return out
}

// ServeTCP answers on a listener until the context ends, and closes it. It returns when
// every connection is closed; the end of the context is no error.
func (s *Slave) ServeTCP(ctx context.Context, ln net.Listener) error {
	stop := context.AfterFunc(ctx, func() { ln.Close() })
	defer stop()
	var open sync.WaitGroup
	defer open.Wait()
	conns, cancel := context.WithCancel(ctx)
	defer cancel()
	for {
		conn, err := ln.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("cannot go on listening on %s: %w", ln.Addr(), err)
		}
		open.Go(func() {
			defer conn.Close()
			defer context.AfterFunc(conns, func() { conn.Close() })()
			s.serveConn(conn)
		})
	}
}

// serveConn answers one connection until it ends: MODBUS Messaging on TCP/IP V1.0b, 3.1.3.
func (s *Slave) serveConn(conn io.ReadWriter) {
	header := make([]byte, 7)
	for {
		if _, err := io.ReadFull(conn, header); err != nil {
			return
		}
		size := int(binary.BigEndian.Uint16(header[4:]))
		if binary.BigEndian.Uint16(header[2:]) != 0 || size < 2 || size > 254 {
			return // not this protocol
		}
		pdu := make([]byte, size-1)
		if _, err := io.ReadFull(conn, pdu); err != nil {
			return
		}
		out := []byte{pdu[0] | 0x80, noPath}
		if unit := header[6]; unit == s.Unit || unit == 0xFF {
			out = s.answer(pdu)
		}
		if out == nil {
			continue
		}
		frame := binary.BigEndian.AppendUint16(append([]byte(nil), header[:4]...), uint16(len(out)+1))
		if _, err := conn.Write(append(append(frame, header[6]), out...)); err != nil {
			return
		}
	}
}

// ServeRTU answers on a serial line until the context ends, and closes it.
func (s *Slave) ServeRTU(ctx context.Context, line io.ReadWriteCloser) error {
	closed := context.AfterFunc(ctx, func() { line.Close() })
	defer func() {
		if closed() {
			line.Close()
		}
	}()
	var got []byte
	last := time.Now()
	chunk := make([]byte, 256)
	for {
		n, err := line.Read(chunk)
		if now := time.Now(); now.Sub(last) > 100*time.Millisecond {
			got, last = got[:0], now // what came long before begins no frame of now
		} else {
			last = now
		}
		for got = append(got, chunk[:n]...); ; {
			size := s.frame(got)
			if size == 0 {
				break
			}
			if err := s.answerRTU(line, got[:size]); err != nil {
				return ended(ctx, err)
			}
			got = got[size:]
		}
		if err != nil {
			return ended(ctx, err)
		}
	}
}

func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil || errors.Is(err, io.EOF) {
		return nil
	}
	return fmt.Errorf("cannot go on answering on the line: %w", err)
}

// frame is the length of the next piece of what came: a whole question, or one byte that
// begins none; 0 when more must come first.
func (s *Slave) frame(got []byte) int {
	if len(got) < 8 {
		return 0
	}
	size := 8
	if fn := got[1]; fn == 15 || fn == 16 {
		size = 9 + int(got[6])
	}
	switch {
	case len(got) >= size && checkSum(got[:size]) == 0:
		return size
	case len(got) < size && size < 256 && got[0] == s.Unit:
		return 0
	}
	return 1
}

func (s *Slave) answerRTU(line io.Writer, frame []byte) error {
	if len(frame) < 4 || frame[0] != s.Unit {
		return nil
	}
	out := s.answer(frame[1 : len(frame)-2])
	if out == nil {
		return nil
	}
	out = append([]byte{s.Unit}, out...)
	_, err := line.Write(binary.LittleEndian.AppendUint16(out, checkSum(out)))
	return err
}

// checkSum is the CRC of MODBUS over Serial Line V1.02, 6.2.2; over a frame with its own
// sum it is 0.
func checkSum(p []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range p {
		crc ^= uint16(b)
		for range 8 {
			if crc&1 == 1 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}
