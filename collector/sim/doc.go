// Package sim is a simulated node: a panel under a real-shaped sky, a charge controller, a
// LiFePO4 battery, loads and imperfect meters. It answers on a real wire as a Modbus slave
// for the demonstration, and steps through years in a second for tests.
//
// In: a [Spec] and the time. Out: what its meters show, its truth, and a wire.
//
// It is written to disagree with the estimator where nature would: the cell is a measured
// open-circuit table with two relaxation times, a branch (hysteresis) state, a thermal lag
// and a protection circuit; the sun, the sky on a tilted plane and the panel are formulas of
// their own. Nothing of the estimator is used here.
//
// A [Site] is pure: it has no clock, no goroutine and no global random source. The same
// [Spec] stepped alike gives the same life. [Live] and [Demo] add the clock and the wire.
package sim
