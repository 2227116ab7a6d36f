// Package plausible doubts numbers that cannot be true together. It is a pure step from one
// poll to the next. A doubted value keeps its number and is given the reason; what uses it is
// for others to decide.
//
// In: a poll, the other sources, the sun. Out: the same values, doubted ones with the reason.
//
// A false doubt is costly, because it takes a true number away. So what has an honest excuse (a
// load that no meter sees, a charger on a visit, registers of different moments) convicts
// nobody alone, and what is missing speaks against nobody. Where two numbers disagree and
// nothing tells which is wrong, both are doubted. Four checks:
//
//   - bounds: what no node, or not this one by its labels, can have, and the codes by which
//     devices say "not available" ;
//   - the joint check: the one explanation of a poll by which panel, charge, load and battery
//     close again ([Joint]); it takes two polls, or three where it is no power of ten;
//   - slow proofs, by many polls, of a sign or a scale: [Steps], [Line], [Night];
//   - what stands still while its driver moves, or an instrument that stands still as a whole
//     ([Run], [Still]).
//
// Limits are common practice with room to spare, unless said otherwise. Not doubted: a
// thermometer that always shows the same (25.0 °C is also what a missing probe looks like, and
// what a mild day looks like), a load that no meter sees, a charger that we are not told of.
package plausible
