// Package clockgen drives a transmitter whose signal comes from a fractional-N
// clock generator of the Si5351 family on an I2C bus.
//
// The carrier is gated by a key line, which acts on the part's output enable
// pin, on its supply, or on a stage behind it, with a pull towards off. Keying
// up drops that line first and looks at it, and only then speaks to the bus;
// what the bus answers does not matter to it. Without a key line only the bus
// can silence the part: LocalOnly says so, and such a transmitter is for an
// operator who is present.
//
// What is written is read back before the key goes down and after each tone. An
// oscillator that is out of lock is an error at the next tone.
//
// A bus can hang: its clock line held low stops the kernel for a second or more.
// So transactions run on a goroutine of their own and are given up in time; as
// long as one hangs, all others are refused.
//
// Drive comes in four steps of current, 2 to 8 mA. The part of the output that
// is asked for is power, so a step is worth the square of its current: 6, 25,
// 56 and 100 percent. The highest step that does not exceed what is asked is
// taken, or the lowest. What a step delivers has to be measured on the bench.
//
// Register addresses are from memory of Silicon Labs' AN619; see package synth
// for the arithmetic. This has not yet been tried on hardware. One thing only a
// spectrum analyser can show: whether a tone's eight bytes, written in one
// transaction, take effect as one.
package clockgen
