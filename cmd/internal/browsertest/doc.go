// Package browsertest looks at pages in Debian's Chromium, for the tests of those who make
// pages.
//
// In: an address and a script. Out: what the script found wrong, and a picture.
package browsertest
