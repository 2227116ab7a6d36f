// Package command hands notices to a program of the owner's: the notice on its standard
// input, as JSON or as text. The program gets a bounded time, an environment of its own
// with nothing of the daemon's, and dies with all its children when the time is over.
//
// In: notices. Out: a run of the program for each, and its exit status as taken, try again or
// never.
package command
