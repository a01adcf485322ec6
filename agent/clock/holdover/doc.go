// Package holdover says how wrong a clock may be that runs on alone.
//
// While there is a reference, a Learner takes in the time errors of the local
// oscillator against it and fits x(t) = x0 + y·t + D·t²/2 (the time error model
// of ITU-T G.810, Appendix I): offset, frequency offset and drift, each with a
// bound for 99.9 %. When the reference is lost a Holdover goes on from the last
// good moment: it corrects by the model, and its bound grows as the larger of
// the model's own and a floor.
//
// A model holds only for what it was learned from: no further ahead than it
// looked back, and only within the temperatures that it has seen. Where nobody
// measures the temperature, no model holds. Without one the clock may run away
// by 10 ppm if its frequency offset is at least known, and by 50 ppm if not.
// Once a model is left it stays left until the reference is back.
//
// All this is about time. The frequency of the transmitter hangs on an
// oscillator of its own, and a locked clock says nothing about it: Frequency is
// apart, and what it does not know it says it does not know.
//
// Nothing here reads a clock. Moments are durations on one steady clock, which
// must neither be stepped nor slewed.
package holdover
