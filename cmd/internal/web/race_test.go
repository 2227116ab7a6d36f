//go:build race

package web_test

// underRace: the race detector multiplies memory, which then says nothing.
const underRace = true
