// Package replay lives through recorded readings with the same core as the daemon: months
// in seconds, and the same numbers and notices that would have come at the time.
//
// In: a CSV of readings, and of forecasts. Out: estimates as CSV, notices as lines of JSON.
package replay
