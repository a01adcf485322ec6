// Package wspr turns messages into the symbols and tones of a WSPR
// transmission, and reads them back.
//
// A message becomes a transmission in five steps, each in a file of its own:
//
//	message.go    call sign, locator, power → one or two messages of types 1, 2, 3
//	pack.go       message → 50 bits: N (28, a call sign) and M (22, the rest)
//	symbols.go    50 bits → convolutional code → interleaving → synchronisation:
//	              162 symbols, each 0 to 3
//	symbols.go    symbol → tone
//	hash.go       what type 3 sends in place of the call sign
//
// Sources: "The WSPR Coding Process" (public note, 2009) for type 1 and the
// channel coding; "Special message formats" (public protocol text, 2010) for
// what types 2 and 3 carry; lookup3 (public domain, 2006) for the hash. How
// the bits of types 2 and 3 are laid out, and the initial value of the hash,
// are from memory; no example of them is published, so only their round trip
// and an independent computation hold them.
//
// What can be sent. A plain call sign is one or two letters or digits with at
// least one letter, a digit, and one to three letters. A compound one adds a
// prefix of one to three letters or digits (QX9/Q1ABC), or a suffix of one
// letter or digit or of a number from 10 to 99 (Q1ABC/P, Q1ABC/42). Powers
// are those of LegalPowers. Whatever does not fit is refused with an *Error,
// whose Reason a program can act on and whose sentence a person can.
//
// Unpack and Decode take bits and symbols as they come, never panic, and
// accept exactly what Pack and Symbols give. Decode is for checking what was
// keyed; it corrects no errors and is no receiver.
package wspr
