// Package alertmanager hands notices to an Alertmanager through version 2 of its interface.
//
// In: notices and what is active. Out: alerts over HTTP, sent again while they stand.
//
// An alert there ends when its sender says so, or at the end that it was given. So that a
// node which goes dark does not end its own alarm, that end lies days ahead; and since an
// Alertmanager forgets all alerts when it restarts, what is active is sent again from time
// to time.
package alertmanager
