// Package textline reads devices that print lines of text on a serial port by themselves,
// such as shunts and small charge controllers. A format, written by the owner, says how:
// lines for themselves or blocks of lines, keys and values or columns, units, and the sum
// or CRC by which a damaged frame is known. Nothing is ever sent to the device.
//
// In: lines from a port and a format. Out: values.
//
// Without a check a flipped digit cannot be known from a right one; a format should name
// the check wherever the device prints one.
package textline
