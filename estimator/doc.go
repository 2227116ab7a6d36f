// Package estimator holds the pure reckoning, a folder for each part of it: battery (the
// charge, counted and corrected), sun and sky (where the sun stands and what the coming days
// may bring), outlook (the futures of charge and load), advice (what an action buys) and plan
// (whole winters of a node that is not built yet).
//
// In come readings and the time, out come beliefs with their doubt. Nothing below asks a
// clock, a file or a network, so that months are lived through in seconds.
package estimator
