// Package sky is what the weather of the coming days may do to the light, told as chances.
//
// In: a place, the season, what was seen, a forecast. Out: days of light, drawn.
//
// A day's clearness is its irradiation against that above the air. Two things describe it:
// how the days of a month are spread ([Marginal], known once the month's mean is), and how
// one day follows another ([Process]). Each day is turned into a standard normal score
// through the marginal of its season, and the scores follow a Gaussian process: a Gaussian
// copula. It was chosen over the transition matrices of Aguiar et al. ([Chain], kept beside
// it) because it takes partial days, missing days and forecasts as plain observations, all
// by the same algebra, and because its persistence over a week can be fitted: what empties
// a battery is a run of days, not one.
//
// The process is the sum of a part that forgets within a day, a part that forgets within
// the better half of a week, and an offset of the site, which wanders slowly: the doubt
// about the month's mean. In winter weather passes faster: the share of the slower part goes
// with the season. It was fitted to the first 14 years of days at each of two stations, so
// that the mean of the coming week follows what was expected of it with a slope near 1 and
// scatters about it as it was said to; before, with more persistence the year round and a
// doubt of 0.15, the slope was 0.6 in winter. How widely a site's days vary is learned for
// winter and summer ([Width]).
//
// Forecasts are observations of a day's score with an error that grows with the lead; bias,
// slope and error are learned for each lead from what the panel saw ([Skill]), and how the
// errors go together, from day to day and from issue to issue ([ErrorTies]): where a service draws
// its errors anew, its older forecasts count beside the newest.
//
// Beside the light stands the temperature ([Air]): a normal course of the year, which a record of
// the site gives or the node learns, anomalies that keep four fifths of themselves from day to
// day, and a correlation with the day's light that turns with the season. In the cold a battery
// takes no charge: there, on measured days of a continental winter, this decided more than any
// cleverness about the light.
//
// Sources: Bendt, Collares-Pereira & Rabl 1981, Solar Energy 27:1-5; Hollands & Huget 1983;
// Aguiar, Collares-Pereira & Conde 1988, Solar Energy 40(3):269-279; Kalman 1960.
package sky
