// Package alert turns facts into notices. Rules are data; the engine is a pure step from
// one state to the next, with the time passed in; channels, one folder each, carry the
// notices away.
//
// In: rules, facts by name, the time. Out: notices, and the state of every alarm.
package alert
