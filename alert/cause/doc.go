// Package cause judges an outage after the fact, or while it lasts, from what was recorded
// around it: a ladder of causes, each with what speaks for it and against it. It names one
// only where the record bears it; otherwise it says [CannotTell].
//
// In: what was recorded around a silence. Out: causes, each with what is for and against it.
//
// It is pure: a [Record] goes in, a [Verdict] comes out. The weights are judgement, not
// measurement: they come from what owners of such nodes report, and are held against a
// library of labelled outages that was written before them.
package cause
