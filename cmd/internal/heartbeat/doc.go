// Package heartbeat tells an outside dead-man service that all is well. It is sent only
// when the loop makes progress, an instrument is heard and the outbox is not stuck: so its
// absence is a signal, and the service alarms although nothing here can.
//
// In: snapshots. Out: one request a period while all is well.
//
// The address is a secret: whoever knows it can feign a heartbeat. It is in no log, no
// error and no fact.
package heartbeat
