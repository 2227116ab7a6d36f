// Package alerttest helps to test channels. Every channel's tests call [LeaksNoSecret].
//
// In: a channel that must fail. Out: a failed test where a secret can be read.
package alerttest
