// Package planning answers `ebbwatch plan`: it reads what the owner drew (the loads, the
// cables, the radio path), fetches what a plan rests on, lets package plan live through the
// winters, and writes the answer as text, JSON or one page that needs nothing else.
//
// In: the configuration and what it names. Out: the answer as text, JSON or one page.
package planning
