package modbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	mb "github.com/goburrow/modbus"

	"ebbwatch/collector"
)

// Table is one of the four tables of a device; its number is the function that reads it. A coil
// and a discrete input are single bits; they come as registers that hold 0 or 1.
type Table uint8

// The tables: Modbus Application Protocol V1.1b3, 6.1 to 6.4.
const (
	Coil     Table = mb.FuncCodeReadCoils
	Discrete Table = mb.FuncCodeReadDiscreteInputs
	Holding  Table = mb.FuncCodeReadHoldingRegisters
	Input    Table = mb.FuncCodeReadInputRegisters
)

// String is coil, discrete, holding or input.
func (t Table) String() string {
	return map[Table]string{Coil: "coil", Discrete: "discrete", Holding: "holding", Input: "input"}[t]
}

// bits tells whether a table is of single bits.
func (t Table) bits() bool { return t == Coil || t == Discrete }

// size is how many bytes of data an answer holds.
func (t Table) size(count int) int {
	if t.bits() {
		return (count + 7) / 8
	}
	return 2 * count
}

// Ask is one question: Count registers of a unit's table from Address on (from 0, as on
// the wire).
type Ask struct {
	Unit    byte
	Table   Table
	Address uint16
	Count   int
	// Spare is how many registers behind may be read as well, where the answer must be told
	// from that to another question. The reply holds Count all the same.
	Spare int
}

// String names the registers for people, in numbers as on the wire.
func (a Ask) String() string { return a.describe(0) }

// describe names the registers in the numbering of a map with that base.
func (a Ask) describe(base int) string {
	first := int(a.Address) + base
	what := a.Table.String() + " register"
	if a.Table.bits() {
		what = map[Table]string{Coil: "coil", Discrete: "discrete input"}[a.Table]
	}
	if a.Count == 1 {
		return fmt.Sprintf("%s %d of unit %d", what, first, a.Unit)
	}
	return fmt.Sprintf("%ss %d to %d of unit %d", what, first, first+a.Count-1, a.Unit)
}

// shape is all that an RTU answer says of the question that it answers. Two questions of
// one shape cannot be told apart by their answers.
type shape struct {
	unit  byte
	table Table
	size  int // bytes of data
}

// bare is the question as it is wanted, whatever else may be asked for with it.
func (a Ask) bare() Ask {
	a.Spare = 0
	return a
}

func (a Ask) same(o Ask) bool { return a.bare() == o.bare() }

func (a Ask) shape() shape { return shape{a.Unit, a.Table, a.Table.size(a.Count)} }

// errAlike tells that an answer may be a late copy of another question's.
var errAlike = errors.New("the answer is the same as another question's just now")

// link asks questions over an open line, one at a time. Once it is no longer alive it must
// be closed and the line opened again.
type link interface {
	ask(ctx context.Context, a Ask, t terms) (answer, error)
	alive() bool
	close() error
}

// terms is how one unit wants to be asked.
type terms struct {
	wait  time.Duration // for the beginning of the answer
	pause time.Duration // silence before the question
	late  time.Duration // an answer comes within this, or never
}

// answer is what came back.
type answer struct {
	regs []uint16
	took time.Duration // from the end of the question to the beginning of the answer
}

// errWait tells that the caller's time was up before the line was free.
var errWait = errors.New("no time was left to ask")

// query asks through the library's client, which packs and checks the protocol's data.
func query(client mb.Client, a Ask) ([]uint16, error) {
	read := map[Table]func(address, quantity uint16) ([]byte, error){
		Coil: client.ReadCoils, Discrete: client.ReadDiscreteInputs,
		Holding: client.ReadHoldingRegisters, Input: client.ReadInputRegisters,
	}[a.Table]
	raw, err := read(a.Address, uint16(a.Count))
	var refused *mb.ModbusError
	switch {
	case errors.As(err, &refused):
		return nil, exception(a, refused)
	case err != nil:
		return nil, err
	case len(raw) != a.Table.size(a.Count): // the library only compares the count with what follows it
		return nil, collector.Errorf(collector.Short, "the answer has %d bytes of data instead of %d", len(raw), a.Table.size(a.Count))
	}
	regs := make([]uint16, a.Count)
	for i := range regs {
		if a.Table.bits() { // the first one in the lowest bit of the first byte
			regs[i] = uint16(raw[i/8] >> (i % 8) & 1)
			continue
		}
		regs[i] = uint16(raw[2*i])<<8 | uint16(raw[2*i+1])
	}
	return regs, nil
}

// exceptionError is a refusal by the device.
type exceptionError struct {
	code   byte
	unsure bool // it may be meant for an earlier question
}

// The exception codes: Modbus Application Protocol V1.1b3, 7.
func (e *exceptionError) Error() string {
	names := map[byte]string{
		1: "function not supported", 2: "no such register", 3: "not so many registers",
		4: "the device failed", 5: "accepted, not ready", 6: "the device is busy", 8: "memory error",
		10: "gateway has no path", 11: "the device behind the gateway does not answer",
	}
	if name, known := names[e.code]; known {
		return fmt.Sprintf("the device refuses: exception %d, %s", e.code, name)
	}
	return fmt.Sprintf("the device refuses: exception %d", e.code)
}

// exception sorts what the library takes for a refusal: any answer with another function.
func exception(a Ask, refused *mb.ModbusError) error {
	if refused.FunctionCode != byte(a.Table)|0x80 {
		return collector.Errorf(collector.Foreign, "the answer is to function %d instead of %d", refused.FunctionCode, a.Table)
	}
	return &collector.Error{Kind: collector.Exception, Err: &exceptionError{code: refused.ExceptionCode}}
}
