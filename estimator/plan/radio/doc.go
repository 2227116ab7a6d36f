// Package radio works out a path between two antennas: the loss of free space, how much of
// the first Fresnel zone a drawn profile leaves clear, what trees and ridges take, and the
// margin that is left for fading.
//
// In: a [Path]. Out: its losses and its margin, each with what it rests on.
//
// Frequencies are MHz, distances along the path metres, heights metres above the same level,
// powers dBm, gains dBi, losses dB. Limits of radiated power, outdoor channels and the duty
// to give way to radar are law and differ by country: the reminder says so.
//
// Sources: ITU-R P.525 (free space), P.526 and P.530 (Fresnel zone, one edge, height of the
// earth between, several edges), P.676 (air), P.833 (crowns near the line), P.838 (rain);
// Weissberger 1982 (leaves).
package radio
