// Package regular opens the files that an owner names: configurations, maps, secrets, certificates,
// forecasts. A fifo would hang a start for ever, a device may never end, and a folder holds no
// text: each is refused at once, and by name.
//
// In: a path. Out: an open file that is one, or what it is instead.
package regular
