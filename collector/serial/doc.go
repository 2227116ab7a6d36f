// Package serial opens serial ports for those that read them: for this process alone, and with
// errors that say what to do.
//
// In: a path and a speed. Out: an open port.
package serial
