// Package sun says where the sun is and what a panel makes of it: position, irradiance
// above and below a clear sky, the share that is diffuse, the plane of a tilted panel, the
// temperature of its cells and the power that a charger takes from it ([Array.Watts]: the one
// piece that the outlook, the facts and the look back go by).
//
// In: a moment, a place, a plane. Out: angles and irradiance.
//
// It is arithmetic alone: time is passed in, nothing is remembered. Angles are degrees,
// irradiance is W/m², irradiation is kWh/m², power is W. Azimuths run clockwise from
// north. A moment is an instant; a mean over an hour belongs to the middle of that hour,
// and it is the caller's business to know whether a stamp marks its start or its end.
//
// Sources: J. Meeus, Astronomical Algorithms, 2nd ed. 1998, chapters 12, 13 and 25 (the
// position is that of the meeus library); Duffie & Beckman, Solar Engineering of Thermal
// Processes, 4th ed. 2013, chapters 1 and 2; Erbs, Klein & Duffie 1982 (diffuse share);
// Haurwitz 1945 (clear sky); Hay & Davies 1980 (tilt); Kasten & Czeplak 1980 (cloud
// cover); Allen et al. 1998, FAO paper 56 (daily sums).
package sun
