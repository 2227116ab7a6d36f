// Package lookback looks back over a node's record: the report of a day, a week or a winter,
// why it was silent, and what today's settings would have told.
//
// In: the history (or readings from a file), the site, the notices that were sent. Out: a
// [Report], the [Silence]s of a span with what each is put down to, and a back-test as
// [Tested]; each as text, and the report as a page that needs nothing else. It is arithmetic
// over the record: only [Load], [Find] and [Extract] read anything.
package lookback
