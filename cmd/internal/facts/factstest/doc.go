// Package factstest holds invented snapshots of the rowing club's relay at the slipway, for
// tests and for looking at the page.
//
// In: nothing. Out: a rich, an alarmed and an empty snapshot.
package factstest
