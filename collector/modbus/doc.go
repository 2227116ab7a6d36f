// Package modbus reads controllers, shunts and gateways that speak Modbus: RTU on a serial
// port, Modbus/TCP, and RTU frames carried by TCP. It only reads (functions 01 to 04); no
// function that writes is ever sent.
//
// In: a register map and a wire. Out: values.
//
// # Settings of a source
//
//	modbus: {port: /dev/serial/by-id/usb-0001, baud: 9600, unit: 1, map: maps/charger.yaml}
//	modbus: {tcp: "127.0.0.1:1502", unit: 1, map: sunspec}
//	modbus: {rtu_tcp: "10.20.0.5:4001", baud: 9600, unit: 1, map: maps/shunt.yaml}
//
// A SunSpec device needs no map. The standard leaves open which way battery current counts;
// battery_amps: into or out_of says what the device counts as positive, where the device
// does not show it by its charging state.
//
// Several sources may name the same port or host: they share one owner, which lets one of
// them speak at a time. Name a port by /dev/serial/by-id or by-path, since the numbers of
// ttyUSB change when an adapter is plugged in again.
//
// # The register map
//
// A map says where each quantity lives. It is a YAML file of its own:
//
//	addresses: wire      # as on the wire, counted from base; or numbered: 40001 is the first holding register
//	base: 0              # the first register is 0 as on the wire, or 1 as in many manuals
//	max_registers: 40    # most registers that the device gives in one answer
//	forbidden: [60..69]  # never read across these
//	pause: 20ms          # silence that the device needs between two questions
//	identity:            # must stay what it was whenever the port was opened again
//	  - {table: holding, address: 2, count: 4}
//	registers:
//	  - {quantity: battery_volts, table: holding, address: 16, type: u16, scale: 0.01, absent: [0xFFFF]}
//	  - {quantity: battery_amps, table: holding, address: 17, type: s16, scale: -0.01}
//	  - {quantity: pv_watts, table: input, address: 8, type: u32, words: low_first, scale: 0.1}
//	  - {quantity: charge_state, address: 30, bits: 4..7, values: {0: off, 1: bulk, 2: absorption, 3: float}}
//	  - {quantity: load_on, address: 30, bits: 0, values: {0: off, 1: on}}
//	  - {quantity: battery_celsius, address: 20, scale: 0.1, offset: -40, min: -30, max: 80}
//
// Not every device holds a number in one register. One line for each other way:
//
//	# direction in another register: negative while bit 3 of register 40 is set
//	- {quantity: battery_amps, address: 17, scale: 0.01, sign: {address: 40, bits: 3, when: 1}}
//	# sign and magnitude in one register
//	- {quantity: battery_amps, address: 17, bits: 0..14, scale: 0.1, sign: {bits: 15}}
//	# charge and discharge in two registers: the second is taken off the first
//	- {quantity: battery_amps, address: 20, minus_address: 60, scale: 0.01}
//	# a signed byte, here the high one of its register
//	- {quantity: battery_celsius, address: 5, type: s8, bytes: low_first}
//	# halves that lie apart; they are read one after the other, so this is for slow numbers
//	- {quantity: pv_watts, address: 30, type: u32, low_address: 90, scale: 0.01}
//	# decimal digits of four bits each; two registers of four digits each
//	- {quantity: battery_volts, address: 1, type: bcd16, scale: 0.01}
//	- {quantity: pv_watts, address: 2, type: dec32, scale: 0.01}
//	# a power of ten in register 50, such as -2
//	- {quantity: battery_volts, address: 1, exponent_address: 50}
//	# what changes slowly need not be asked for at each poll; what flows must
//	- {quantity: battery_celsius, address: 70, scale: 0.1, every: 10m}
//	# a single bit of its own table
//	- {quantity: load_on, table: coil, address: 3}
//
// A device that answers to whole blocks only, and one that tells its name as text:
//
//	blocks:
//	  - {address: 10, count: 4}
//	identity:
//	  - {address: 2, count: 3, text: SLIP7}
//	  - {address: 9, expect: [7]}   # as numbers
//
// An address from 30001 or 40001 on may be meant as on the wire, or in the numbering in which
// that is the first register of a table; the map must say which. Without absent, all bits
// set and the greatest and the least signed number mean that nothing was measured.
//
// A value is raw × scale + offset. Battery current counts positive into the battery: turn
// it round with a negative scale where the device says otherwise. A number that is not
// possible is refused with an error that names the register, since a wrong sign, scale or
// word order is the commonest fault of a map; what else was read still counts.
//
// # What it does on the wire
//
// The map is turned into the questions that cost the least time on the wire. An answer must
// come from the right unit, with the right function, length and check sum, and nothing may
// follow it. RTU answers do not say which register they belong to, so one that is late, or said
// twice, could pass for the answer to another question. Each question is therefore remembered for
// ten seconds. While an answer may still come, or when one equals another's half a second ago,
// registers behind those wanted are read as well, so that the length is this question's own;
// where the device or the map forbids that, the line is listened to first, and a value is rather
// missing than another's. On a line that was heard to be late or to repeat itself, registers
// that lie apart share a question wherever the device allows.
//
// Measured on a model of a line with a tenth of the answers late by up to 2.2 s, a twentieth said
// twice and some lost, over thirteen registers that stand apart: 13 questions a poll as on a
// clean line and 94 % of the values where registers behind them can be read; 6 questions and
// 36 % where not and many hold the same number. A clean line costs nothing more, but for 5
// questions a poll where registers that stand alone hold the same number.
package modbus
