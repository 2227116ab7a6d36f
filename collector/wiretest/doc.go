// Package wiretest records what passes over a wire and plays it back. A recording is a text
// file that people can read and write:
//
// In: a wire, or a recording. Out: a recording, or a wire.
//
//	# a controller's battery voltage, 12.84 V
//	> 01 03 00 10 00 01 85 CF
//	. 12ms
//	< 01 03 02 05 04 BA D7
//
// A line that begins with > is what we said, with < what came, with . a silence. In a
// playback the line after a silence comes only after it; several < lines come one by one.
package wiretest
