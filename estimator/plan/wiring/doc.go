// Package wiring works out what copper does to a small direct-current supply: resistance,
// drop and loss, the section a run needs, the fuse that fits it, whether the steps that end
// a discharge come in the right order, what power over Ethernet costs at the battery, and
// whether a buried pair would do instead of the sun.
//
// In: runs of cable and what they feed. Out: drops, sections and fuses, each with its rule.
//
// Lengths are metres of cable, one way: the current goes there and back. Sections are mm²,
// resistance is Ω, temperatures are °C. It informs; local codes and licensed people decide.
//
// Sources: ASTM B258 (diameters of the American gauge); IEC 60228 (largest resistance of
// standard sections at 20 °C); IACS copper, 1.7241e-8 Ωm and 0.393 % a kelvin; IEEE 802.3
// (classes of power over Ethernet). What is common practice is marked so.
package wiring
