// Package survey finds out how to read a device that nobody documented well: on which port
// it listens, at what speed, under which unit number, which registers it has, and which of
// them is which quantity. Wrong register maps are the commonest lie of all, so it would
// rather say that it does not know.
//
// In: a wire and what the owner sees. Out: settings, a register map, and what is not known.
//
// It only reads (functions 03 and 04), slowly, with patience for late answers, and stops at
// once when its context ends. It never opens a port that it was not told to use.
//
// # The register finder
//
// The owner says what the controller's display or a multimeter shows now. Every register, in
// every type, order of words and bytes and usual scale, that could say the same is a
// candidate. All quantities are weighed together: no register is two of them, a device keeps
// to one order, and a display rounds or cuts all it shows. A second look at another moment
// leaves those that moved as the display did. A quantity is found only when one candidate is
// all but certain and it moved clearly: a constant that happens to fit, a twin that always
// agrees, a scale on no list, or a current without a sign stay undecided, with the reason. See
// [Find].
//
// # The kick test
//
// A map, found or typed from a manual, is put to the proof by changing something known: a
// load is switched or the panel is covered, and each quantity must move by the right amount
// with the right sign. See [Judge].
package survey
