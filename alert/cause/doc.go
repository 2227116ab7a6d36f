// Package cause judges a silence of a node after the fact, or while it lasts, from what was
// recorded around it.
//
// In: a [Record] of what is known. Out: a [Verdict]: a chance for each cause, with what speaks
// for it and against it, and what is missing to tell. A cause is named only where the record
// bears it; otherwise it is [CannotTell].
//
// A cause is a likelihood over one table, evidence by cause (see table.go), with the causes'
// usual frequencies before anything is known. The numbers are judgement, from what owners of
// such nodes report; they are held against outages of a simulated node that was written
// apart from them. It is pure.
package cause
