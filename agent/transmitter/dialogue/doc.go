// Package dialogue drives a transmitter that is spoken to in lines of text: a
// home-made keyer at the end of a serial line, or a program on this machine.
// The protocol is written down in deploy/serial-keyer.md.
//
// Each line has a number and a checksum, and each is answered with its number
// and the state of the carrier, which has to be the one that was asked for. A
// line whose checksum is wrong, or that answers nothing, is noise. What is not
// answered in time is an error.
//
// The far end keys up by itself when it hears nothing for 300 ms, or no tone for
// a second, or after 112 s: so nothing at this end can leave it keyed. While the
// key is down a beat goes out every 100 ms. The beat alone keeps no carrier on
// when the keyer's loop hangs, because tones come from that loop.
//
// When the far end does not say that the carrier is off, the connection is
// dropped and made anew, beside the calls, and until the far end has said so the
// driver says that it does not know. The keyer trips then.
package dialogue
