// Package report turns what is kept of a period into figures, and figures into
// pages that people read.
//
// Figures come first: a Builder takes the hours of every beacon one after the
// other (package rollup), each once, by beacon and time, and keeps only sums, so
// that a year of a thousand beacons needs no more memory than a day of them. The
// forms (HTML, Markdown, CSV, JSON; PDF is in package print) are functions of
// the finished Report and add nothing to it.
//
// A period is half-open. A week is the ISO week in the network's zone, so it has
// 167 or 169 hours when clocks change; days and hours of the day are told in
// that zone, instants in UTC and in it.
//
// What counts as what:
//
//   - Uptime is the share of the period's minutes in which a health sample was
//     taken; readiness the share in which every sample said that GPS was locked
//     and the clock's bound was inside the limit (rollup.ReadyBound).
//   - Ordered are the slots that stood in orders and were not withdrawn. Each
//     was sent, skipped, aborted, is unreported (nothing was heard for eight
//     days), or open (nothing was heard yet).
//   - Airtime is the time with the key down.
//   - Unordered are transmissions that no order stands for, such as those that
//     were withdrawn and went out all the same. They count as airtime.
//   - Percentiles are by nearest rank, of bounds rounded up to three digits.
//   - Data are complete to the beginning of the first hour that has an open slot.
//
// A period that is not over counts to the time at which the report is made.
package report
