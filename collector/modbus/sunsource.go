package modbus

import (
	"context"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// sunSource is a source that follows the SunSpec standard and needs no map.
type sunSource struct {
	device
}

func newSunSpec(bus *Bus, unit byte, current string) *sunSource {
	return &sunSource{device: device{bus: bus, unit: unit}}
}

// Read is not there yet.
func (s *sunSource) Read(ctx context.Context) ([]reading.Value, error) {
	return nil, collector.Errorf(collector.Other, "cannot read SunSpec at %s yet", s.bus.settings)
}
