// Package history keeps what was measured on the board: every sample for some weeks, then
// sums over five minutes and over an hour, for years, within a budget of disk.
//
// In: samples and notices. Out: series of any span, what is not sent on yet, the notices.
//
// One goroutine owns the SQLite file; the node hands it samples without waiting, and
// readers ask it. Samples are written in batches, so that a memory card lasts; each row
// carries a checksum, since a worn card may answer wrong in silence. Samples from before
// the wall clock was known are kept apart and dated when it becomes known. A card that is
// full or cannot be written leaves a day in memory, and says so.
package history
