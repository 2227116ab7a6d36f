// Package archtest holds the source to the rules that the compiler does not know: who may
// import whom, what must stay pure, what must be documented. It parses the files itself. A
// test that asks the go command instead is served from the test cache, and passes after a
// rule was broken; files that a test opens are watched by the cache.
//
// In: the source as text. Out: every place where a rule is broken, by file and line.
package archtest
