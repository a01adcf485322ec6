// Package gpsd hears receivers through the receiver daemon of that name, by its
// JSON protocol: one object per line, told apart by their class
// (gpsd_json(5), gpsd 3.22).
//
// TPV says what second it is and whether there is a fix; TOFF, if the daemon
// sends it, when the first byte of that came. PPS pairs a pulse with the second
// that it began and with the wall clock. SKY counts satellites, OSC tells of an
// oscillator that is disciplined by the receiver.
//
// The e* fields are not used: the manual leaves their confidence open. A pulse
// counts as good to 1 ms and never better, which is what the manual says of the
// worst way to get one, over USB; nothing here needs more.
//
// Where several receivers are attached, the one that speaks first counts, or
// the one that is named. A daemon that is silent for five seconds is an error,
// and the connection is made anew.
package gpsd
