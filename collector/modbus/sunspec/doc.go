// Package sunspec reads devices that follow the SunSpec standard: the register map is found
// in the device itself. A marker stands at one of three addresses; a chain of models
// follows, each with its number and length, and numbers that are scaled by powers of ten.
//
// In: registers. Out: which of them are which quantity, and how they scale.
//
// Offsets, types and scale factors are those of the published definitions,
// github.com/sunspec/models at 7abdf898 (Apache-2.0); a table of them is in testdata. The
// standard has no model of a charge controller. What there is of a battery (802, 803, 713,
// 124), of ports and inputs (714, 160) and of panels with electronics of their own (502) is
// turned into our quantities; other models are skipped by their length.
//
// The standard does not say which way battery current counts. It is taken from the setting,
// or from the charging state that the battery itself states beside it (model 802); else the
// value is marked as suspect.
package sunspec
