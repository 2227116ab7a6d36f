// Package textline reads devices that print lines of text on a serial port by themselves,
// such as shunts and small charge controllers. A format, written by the owner, says how:
// lines for themselves or blocks of lines, keys and values or columns, units, and the sum
// or CRC by which a damaged frame is known. Nothing is ever sent to the device.
//
// In: lines from a port and a format. Out: values.
//
// Without a check a flipped digit cannot be known from a right one; a format should name
// the check wherever the device prints one.
//
// # The format
//
// A line for itself, with keys and values:
//
//	begin: "BOX "               # lines that begin otherwise are others'
//	between: ";"                # parts the pairs
//	separator: "="              # parts a key from its value
//	decimal: "."
//	check: {kind: xor8, mark: "!", written: hex, bare: true}  # bare: begin is not checked
//	fields:
//	  BV: {quantity: battery_volts, unit: mV, absent: ["---"]}
//	  BI: {quantity: battery_amps, unit: mA, scale: -1, offset: 0}
//	  ST: {quantity: charge_state, values: {B: bulk, F: float}}
//	  BX: {quantity: load_watts, digits: signed_hex}   # as many bits as its digits
//
// Numbers may have an exponent: 1.3284E+01. Columns, with a mark between them or by width:
//
//	columns: 3
//	widths: [7, 7, 5]           # instead of columns and between
//
// A block of lines, ended by a line, by the line of its check, or by an empty line; and what
// stands between the bytes STX and ETX:
//
//	frame: block
//	end: empty
//	check: {kind: sum16, key: "SUM"}
//	frame: enclosed
//
// A JSON object a line, with a field anywhere in it, or named by its whole path:
//
//	json: true
//	fields: {volts: battery_volts, panels.0.watts: pv_watts}
package textline
