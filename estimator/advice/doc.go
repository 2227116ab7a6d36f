// Package advice says what an action would buy: a price list, each line computed on the
// very futures of the outlook, so that the difference is the action's alone. It picks the
// least sacrifice that brings the chance of a cut-off below what the owner accepts, and
// says until when it makes sense. It informs; a person decides whether a trip is safe.
//
// In: the futures, the belief, what the owner can do. Out: offers, each with what it buys and
// until when.
package advice
