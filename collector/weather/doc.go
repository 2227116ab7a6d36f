// Package weather reads weather forecasts: any JSON over HTTP by declared paths, with
// presets for public services that want no key, or a file of forecasts.
//
// In: an address or a file, and its format. Out: a [reading.Forecast].
//
// Three shapes are read. Arrays: one array of times and arrays of values beside it. A
// series: an array of objects, each with its time and values. A grid: values with a time and
// a length of validity each ("2021-06-18T05:00:00+00:00/PT2H").
//
// The trap is which hour a value belongs to. Radiation is often the mean of the hour that
// ends at its stamp; cloud cover and temperature hold at the stamp. [Format.Stamp] says
// which; everything is turned into means over the hour that starts at its time, as
// [reading.ForecastHour] has them.
//
// The client is polite: it says who asks, asks no sooner than the last answer expires, sends
// If-Modified-Since, waits as long as it is told to, backs off after failures, and stays
// within a budget of bytes a day. The last good forecast is kept on disk; it stays useful
// for a week without internet, and its age is told by its issue time.
//
// Where a service does not say when its forecast was made, the moment it was fetched is
// taken: a forecast is never used for a moment before its issue.
package weather
