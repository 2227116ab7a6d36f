// Package plantest gives the tests of planning what they share: the published values and the
// measured days that they are held against.
//
// In: files of testdata and of the measured data. Out: their rows.
package plantest
