// Package remotewrite sends the history to a server that takes Prometheus remote write, so
// that a dashboard has no gaps although the link was down for days. What the server has
// acknowledged is kept in the history itself; the rest follows in order, at a bounded
// rate, however long it takes. It speaks 2.0 where the server does, else 1.0. Only what the server
// itself refuses, sample by sample, is left out, and counted.
//
// In: samples that were not acknowledged. Out: requests, and how far the server has them.
//
// Source: the remote write specifications 1.0 and 2.0 of prometheus/docs, c105550a.
package remotewrite
