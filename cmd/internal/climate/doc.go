// Package climate keeps the site's own record of sun and temperature: daily sums and means of years
// past, which tell the outlook what is normal there.
//
// In: a file, or one answer over HTTP, as CSV or JSON. Out: a [Record] in the state folder.
//
// Services differ in names, units and shape, so what is read is told by its meaning. CSV is any
// table with a header that has a date (one column, or year with month and day or day of the year);
// lines before the header may say where it is of. JSON is either objects whose keys are dates
// (20010131, or 200101 for a month's mean), or arrays of objects with a date or year and month. The
// unit of the irradiation is the one that makes all months plausible at the latitude, and is said.
//
// Nothing is fetched unless a person asks: one request, of a bounded answer.
package climate
