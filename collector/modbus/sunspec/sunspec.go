package sunspec

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"ebbwatch/collector"
)

const (
	marker1, marker2 = 0x5375, 0x6E53 // "SunS"
	endModel         = 0xFFFF
	commonModel      = 1
	mostModels       = 100
	chunk            = 120 // registers of one question, below the 125 that Modbus allows
)

// bases are where the marker can be, addresses as on the wire.
func bases() [3]uint16 { return [3]uint16{40000, 50000, 0} }

// ReadFunc reads holding registers of the device, addresses as on the wire. A refusal by
// the device is an error of the kind collector.Exception.
type ReadFunc func(ctx context.Context, addr uint16, count int) ([]uint16, error)

// Model is one model in a device.
type Model struct {
	ID     uint16
	At     uint16 // the address of its first register, which holds ID
	Length int    // registers that follow ID and length
}

// Device is what was found in a device.
type Device struct {
	Base   uint16
	Maker  string
	Name   string
	Serial string
	Models []Model // without the end model
}

// Same tells whether two devices are the same one, by what they say of themselves.
func (d *Device) Same(o *Device) bool {
	return d.Maker == o.Maker && d.Name == o.Name && d.Serial == o.Serial
}

// String names the device for people.
func (d *Device) String() string {
	return fmt.Sprintf("%s %s, serial number %s", d.Maker, d.Name, d.Serial)
}

// Find looks for the marker and walks the models. It reads a few registers only.
func Find(ctx context.Context, read ReadFunc) (*Device, error) {
	var errs []error
	for _, base := range bases() {
		got, err := read(ctx, base, 2)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if got[0] == marker1 && got[1] == marker2 {
			d := &Device{Base: base}
			return d, d.walk(ctx, read)
		}
	}
	for _, err := range errs {
		if collector.KindOf(err) != collector.Exception {
			return nil, fmt.Errorf("cannot look for the SunSpec marker: %w", err)
		}
	}
	return nil, errors.New("cannot find the SunSpec marker at 40000, 50000 or 0: the device needs a register map")
}

// walk follows the chain of models.
func (d *Device) walk(ctx context.Context, read ReadFunc) error {
	at := int(d.Base) + 2
	for range mostModels {
		if at+2 > 65536 {
			return fmt.Errorf("cannot follow the SunSpec models: the chain runs past the last register")
		}
		head, err := read(ctx, uint16(at), 2)
		if err != nil {
			return fmt.Errorf("cannot follow the SunSpec models at %d: %w", at, err)
		}
		m := Model{ID: head[0], At: uint16(at), Length: int(head[1])}
		if m.ID == endModel {
			return nil
		}
		if m.ID == 0 || m.Length == 0 || at+2+m.Length > 65536 {
			return fmt.Errorf("cannot follow the SunSpec models: at %d stands model %d of length %d", at, m.ID, m.Length)
		}
		if m.ID == commonModel {
			if err := d.common(ctx, read, m); err != nil {
				return err
			}
		}
		d.Models = append(d.Models, m)
		at += m.Length + 2
	}
	return fmt.Errorf("cannot follow the SunSpec models: %d and no end", mostModels)
}

// common reads what the device says of itself: model 1, of length 66, or 65 without its
// last register.
func (d *Device) common(ctx context.Context, read ReadFunc, m Model) error {
	v, err := m.fetch(ctx, read)
	if err != nil {
		return err
	}
	d.Maker, d.Name, d.Serial = v.text(2, 16), v.text(18, 16), v.text(50, 16)
	return nil
}

// fetch reads a whole model, from its first register on.
func (m Model) fetch(ctx context.Context, read ReadFunc) (view, error) {
	var v view
	for left := m.Length + 2; left > 0; left -= chunk {
		got, err := read(ctx, m.At+uint16(len(v)), min(left, chunk))
		if err != nil {
			return nil, fmt.Errorf("cannot read SunSpec model %d at %d: %w", m.ID, m.At, err)
		}
		v = append(v, got...)
	}
	if v[0] != m.ID || int(v[1]) != m.Length {
		return nil, errMoved
	}
	return v, nil
}

// errMoved tells that the chain of models is no longer what it was.
var errMoved = errors.New("cannot find the SunSpec models where they were")

// view is the registers of a model, indexed by the offsets of the published definitions.
type view []uint16

// text is a string of n registers.
func (v view) text(off, n int) string {
	var b strings.Builder
	for i := off; i < off+n && i < len(v); i++ {
		b.WriteByte(byte(v[i] >> 8))
		b.WriteByte(byte(v[i]))
	}
	s, _, _ := strings.Cut(b.String(), "\x00")
	return strings.ToValidUTF8(strings.TrimSpace(s), "?")
}
