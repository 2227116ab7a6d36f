// Package sky is what the weather of the coming days may do to the light, told as chances.
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
// about the month's mean. On 26 years of days at one station the scores' correlation over
// 1, 2, 3, 4, 5 days was 0.33 0.17 0.10 0.06 0.04 over the year and 0.25 0.09 0.07 0.05 0.03
// in winter; the process has 0.27 0.11 0.07 0.05 0.04. Its variance of means over several
// days lies between winter and year as well, so that spells and years differ by as much as
// they do in the record.
//
// Forecasts are observations of a day's score with an error that grows with the lead; bias,
// slope and error are learned for each lead from what the panel saw ([Skill]).
//
// Sources: Bendt, Collares-Pereira & Rabl 1981, Solar Energy 27:1-5; Hollands & Huget 1983;
// Aguiar, Collares-Pereira & Conde 1988, Solar Energy 40(3):269-279; Kalman 1960.
package sky
