// Package decodetest gives the tests of sources a section of a configuration as the program
// decodes it: text and files in, a section of collector/decode and what it found wrong out.
//
// In: text and files. Out: a section, and what it found wrong.
package decodetest
