// Package modbus reads controllers, shunts and gateways that speak Modbus: RTU on a serial
// port, Modbus/TCP, and RTU frames carried by TCP. It only reads (functions 03 and 04); no
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
// A value is raw × scale + offset. Battery current counts positive into the battery: turn
// it round with a negative scale where the device says otherwise. A number that is not
// possible is refused with an error that names the register, since a wrong sign, scale or
// word order is the commonest fault of a map; what else was read still counts.
//
// # What it does on the wire
//
// The map is turned into the questions that cost the least time on the wire. An answer must
// come from the right unit, with the right function, length and check sum, and nothing may
// follow it. RTU answers do not say which register they belong to, so a late answer could
// pass for the answer to the next question: after a missing answer the line is listened to
// first, and a question of another shape comes before one that the late answer would fit.
package modbus
