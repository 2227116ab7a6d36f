// Package watch judges silence from home: which of the nodes that fell silent are dark as
// they said they would be, which are late to return, and for the others what most likely
// failed: power, link, the node itself, the side of the house, or only the dashboard.
//
// In: what was heard of each node, and when. Out: a judgement of each silence.
//
// It is pure: evidence goes in, verdicts come out. A verdict is given only where the
// evidence bears it; otherwise it is [CannotTell], with what is for and against.
package watch
