//go:build !race

package web_test

const underRace = false
