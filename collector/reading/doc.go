// Package reading holds the plain data that measuring yields: quantities, values,
// readings and forecasts. It imports nothing of ours and does nothing but arithmetic,
// so that the estimator can be fed from a wire, a file or a test alike.
//
// In and out: plain data.
//
// Signs: battery current is positive into the battery. Units are the SI unit that the
// quantity's name ends in; charge_state is a [ChargeState], load_on is 0 or 1, and
// controller_soc is a ratio from 0 to 1.
package reading
