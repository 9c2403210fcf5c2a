// Package arch holds the house to its own rules: who may import whom, how long a file or function gets, and whether
// the guides still tell the truth. It has no code but tests, since rules on a page rot.
package arch
