package serial

// CRC16 is the check sum of Modbus RTU frames, which devices that print use as well: start
// FFFF, reflected polynomial A001 (MODBUS over Serial Line V1.02, 6.2.2). Of a frame that ends
// with its own sum, low byte first, it is 0.
func CRC16(p []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range p {
		crc ^= uint16(b)
		for range 8 {
			odd := crc & 1
			crc >>= 1
			if odd == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}
