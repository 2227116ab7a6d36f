// Package post is what channels that speak HTTP have in common: a request within bounds of
// time and size, answers sorted into taken, try again and never, and errors that give no
// secret away.
//
// In: a request. Out: nil for taken, else an error that says whether to try again.
package post
