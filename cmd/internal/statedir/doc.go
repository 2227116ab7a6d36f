// Package statedir keeps the small state that must survive a restart, in a folder that one
// daemon owns. Power may vanish at any instant: each state has two files, and the older of them
// is written over and made durable while the newer stays as it is. A file that is damaged, or
// that a power cut left half written, is set aside and reported; it never stops a start.
//
// In: a name and plain data. Out: the newest whole piece of that name, and what was damaged.
package statedir
