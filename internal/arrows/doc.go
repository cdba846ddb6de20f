// Package arrows holds, by its tests alone, which package may import which, and
// the few rules of the tree that a compiler does not check. Each failure says
// why the rule stands. A new package is given its place in places_test.go.
package arrows
