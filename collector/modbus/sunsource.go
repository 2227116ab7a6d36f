package modbus

import (
	"context"
	"errors"

	"ebbwatch/collector"
	"ebbwatch/collector/modbus/sunspec"
	"ebbwatch/collector/reading"
)

// sunSource is a source that follows the SunSpec standard and needs no map.
type sunSource struct {
	device
	reader *sunspec.Reader
}

// sunSpare is how far past what is wanted may be read where answers come late: devices are made
// to give runs of registers.
const sunSpare = 5

// newSunSpec makes the source; current is into, out_of or empty.
func newSunSpec(bus *Bus, unit byte, current string) *sunSource {
	way := map[string]sunspec.Current{"into": sunspec.Into, "out_of": sunspec.OutOf}[current]
	return &sunSource{device: device{bus: bus, unit: unit}, reader: sunspec.NewReader(way)}
}

// Read polls every model of the device that has something for us.
func (s *sunSource) Read(ctx context.Context) ([]reading.Value, error) {
	values, err := s.reader.Read(ctx, func(ctx context.Context, addr uint16, count int) ([]uint16, error) {
		return s.fetch(ctx, Ask{Unit: s.unit, Table: Holding, Address: addr, Count: count, Spare: sunSpare}, s.verify)
	})
	if err != nil {
		err = collector.Errorf(collector.KindOf(err), "unit %d at %s: %w", s.unit, s.bus.settings, err)
	}
	return values, errors.Join(err, s.others())
}

// verify makes sure that the device is the one that it was.
func (s *sunSource) verify(ctx context.Context) error {
	if s.reader.Device() == nil {
		return nil // not met yet
	}
	return s.reader.Verify(ctx, func(ctx context.Context, addr uint16, count int) ([]uint16, error) {
		return s.sure(ctx, Ask{Unit: s.unit, Table: Holding, Address: addr, Count: count, Spare: sunSpare})
	})
}
