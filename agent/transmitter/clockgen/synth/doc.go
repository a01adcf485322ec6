// Package synth is the arithmetic of a fractional-N clock generator of the
// Si5351 family, by Silicon Labs' application note AN619 (rev. 0.6, 2015): which
// registers make a given frequency. It does no input or output.
//
// A crystal is multiplied by a fraction a + b/c up to an oscillator between 600
// and 900 MHz, which an output divider and then a power of two divide down.
//
//	output = crystal · (a + b/c) / (divider · R)
//
// A tone is tuned by the fraction alone. The output divider is a whole even
// number, fixed for a transmission: that is the part's quietest way of working,
// and nothing has to be reset between symbols.
//
// One denominator for all tones is too coarse: with the largest, a step at 50
// MHz is a tone spacing. So each tone has a fraction of its own, the nearest
// that the registers can hold. Near a simple fraction such as 1/2 there is none
// near enough; the divider is chosen so that no tone about the frequency falls
// there.
package synth
