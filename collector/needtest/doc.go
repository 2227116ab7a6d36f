// Package needtest is what every test does about something from outside the project: a
// program, a library of Python's, a device, a right, measured data. What is missing, or is
// there but cannot start, skips the test and says so; where CI=true promises everything, it
// fails.
//
// In: what a test needs. Out: its path, or a test that is skipped or failed.
package needtest
