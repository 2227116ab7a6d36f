// Package estimator believes something about the battery: how full it is, how sure that
// is, and what else must be true for the readings to make sense. It is pure: time comes in
// with each reading, the same readings give the same belief.
package estimator
