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
//     devices say "not available";
//   - the joint check: the one explanation of a poll by which panel, charge, load and battery
//     close again ([Joint]); two polls where several relations agree, three where the number is
//     off by no power of ten, minutes where it stands on one relation alone;
//   - slow proofs, by many polls, of a sign or a scale: [Steps], [Line], [Night];
//   - what stands still while its driver moves, an instrument that stands still as a whole
//     ([Run], [Still]), and a battery at exactly 25.0 °C for three days, which has no probe.
//
// How soon a fault is told, measured on 60 simulated nodes that were polled each minute, in the
// middle and at the latest: out of bounds, at the next poll; load watts or amperes tenfold 2
// minutes; panel watts tenfold 2 and 46 minutes, a tenth 4 minutes and 3 hours, for what is made
// in poor light proves little; charging current tenfold 2 and 30 minutes, a tenth 7 and 11 hours;
// battery current off by ten from the start 8 and 12 hours; its sign reversed 6 minutes into the
// night; what a panel cannot give at night 6 minutes; one value frozen 1 to 9 and 22 hours, most of
// them while a charger held the voltage and nothing need move; a whole instrument a quarter of an
// hour, once its ways are known. At ten seconds a poll the first kind takes twenty seconds.
//
// False doubts: none in 400 honest simulated nodes of a week each; in 104 weeks of a second kind of
// honest node (broken clouds, wind at night, registers that are means, unmetered loads) none on the
// seeds that the check was made with, and one on 104 fresh ones: half a doubt a node-year.
//
// Limits are common practice with room to spare, unless said otherwise. Not doubted: a
// thermometer that always shows the same but 25.0 °C, a load that no meter sees, a charger that we
// are not told of.
package plausible
