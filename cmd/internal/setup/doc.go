// Package setup is the first conversation with an owner, who may never have seen a register: it
// asks for what the labels say, one question at a time, and makes a configuration of it.
//
// In: answers, from flags, from an earlier conversation that was cut off, or from a person.
// Out: the text of a configuration, and of the secrets that it names.
//
// It writes no file and talks to no device; that is done by the command around it.
package setup
