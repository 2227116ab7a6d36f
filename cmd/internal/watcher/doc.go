// Package watcher is the daemon beside the router: it watches nodes from outside, by echo,
// by their /api/v1/state and by a scrape of their metrics, remembers what each last said of
// its own future, and judges silence with package watch. What it knows is on a page, at
// /metrics and at /api/v1/state; what lasts goes out through the same channels as a node's
// own warnings.
//
// In: answers and silences of nodes. Out: a page, metrics, and notices to the owner.
package watcher
