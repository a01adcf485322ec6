// Package nmea hears a receiver that speaks NMEA 0183 on a serial line.
//
// A line says which second it is about, and comes some time later: by the
// manual of a widely used receiver daemon 10 to 700 ms, and 100 to 300 ms of
// jitter besides (gpsd_json(5), TOFF). Package judge therefore takes the middle
// of that and a bound of 350 ms, from the line that came with the least delay;
// a pulse makes it better, but needs the daemon. The first line of each second
// counts, so a receiver that sends RMC first is heard best.
//
// What is not a sentence with a right checksum is passed over: lines are lost
// on serial lines. A receiver from which no right sentence comes for five
// seconds is an error, and the port is opened anew.
package nmea
