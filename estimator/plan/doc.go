// Package plan answers, before anything is built or again after a summer of service, what a
// kit carries at a place: whole winters are lived through with the same panel, charger and
// battery as the outlook's ([outlook.HourlyModel]), under skies drawn from the day-to-day process
// of package sky or taken from a measured record.
//
// In: a [Kit] and a place. Out: an [Outcome] over many winters.
//
// A year runs from July to June north of the equator and from January to December south of
// it, so that a winter is never cut in two; it has 365 days. Power is W at the battery,
// energy Wh, charge a ratio. The loss of load is the share of the energy asked for that was
// not given.
//
// What is assumed is listed by [Kit.Assumed] with its source. The numbers of days of snow,
// the temperatures and the horizon are the owner's; without them nothing is taken off, and
// the list says so.
package plan
