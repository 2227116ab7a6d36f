package textline

import (
	"strconv"

	"ebbwatch/collector/serial"
)

// sums gives the function of a kind of check; nil when there is none. The CRCs are those of
// the usual catalogue: crc8 has polynomial 0x07 and start 0, crc16_modbus 0x8005 reflected
// and start 0xFFFF, crc16_ccitt 0x1021 and start 0xFFFF.
func sums(kind string) func([]byte) uint16 {
	switch kind {
	case "sum8":
		return func(b []byte) uint16 { return uint16(sum8(b)) }
	case "sum16":
		return sum16
	case "ones8":
		return func(b []byte) uint16 { return uint16(^sum8(b)) }
	case "zero8":
		return func(b []byte) uint16 { return uint16(-sum8(b)) }
	case "xor8":
		return xor8
	case "crc8":
		return crc8
	case "crc16_modbus":
		return serial.CRC16
	case "crc16_ccitt":
		return crc16CCITT
	}
	return nil
}

func sum8(b []byte) (s uint8) {
	for _, c := range b {
		s += c
	}
	return s
}

func sum16(b []byte) (s uint16) {
	for _, c := range b {
		s += uint16(c)
	}
	return s
}

func xor8(b []byte) uint16 {
	var s uint8
	for _, c := range b {
		s ^= c
	}
	return uint16(s)
}

func crc8(b []byte) uint16 {
	var s uint8
	for _, c := range b {
		s ^= c
		for range 8 {
			top := s & 0x80
			s <<= 1
			if top != 0 {
				s ^= 0x07
			}
		}
	}
	return uint16(s)
}

func crc16CCITT(b []byte) uint16 {
	s := uint16(0xffff)
	for _, c := range b {
		s ^= uint16(c) << 8
		for range 8 {
			top := s & 0x8000
			s <<= 1
			if top != 0 {
				s ^= 0x1021
			}
		}
	}
	return s
}

// readSum reads a check as it is written.
func readSum(text []byte, written string) (uint16, bool) {
	switch written {
	case "byte":
		if len(text) != 1 {
			return 0, false
		}
		return uint16(text[0]), true
	case "decimal":
		x, err := strconv.ParseUint(string(text), 10, 16)
		return uint16(x), err == nil
	}
	x, err := strconv.ParseUint(string(text), 16, 16)
	return uint16(x), err == nil
}
