// Package planner decides who transmits when, on which band and frequency.
//
// It is a function: the same fleet, history, previous plan, taken slots and
// horizon give the same plan, byte for byte, in whatever order the fleet file
// lists things and on however many processors it runs. It reads no clock, and
// its only chance comes from a hash of the fleet's digest and the day.
//
// # The steps
//
//  1. model: the fleet becomes numbers. Beacons are sorted by name; sites and
//     shared equipment become resources with a capacity per slot.
//  2. keep: taken slots are marked on the board, what was planned before and is
//     still allowed is put back: beacon by beacon, and if not all have room beside
//     each other any more, slot by slot.
//  3. rates: if the demands of all who share a resource fit, everybody's rate is
//     the demand; if not, water is filled: all rise together in proportion to
//     priority and demand until a resource is full, those who need it stop, the
//     others rise on.
//  4. pass: slot by slot, every beacon has a window for its next transmission,
//     in which the count stays within one of its rate; the earliest deadline
//     goes first. The band is chosen in the same step: only a band that keeps
//     the beacon's count on each band within one of its weight is offered,
//     as long as the deadline leaves time for that.
//  5. level: whoever has less than wanted looks for a chain: a slot that is
//     free, or one whose user can move elsewhere, and so on, or whose user is
//     better off. Where a quiet share bars a slot, the site is silent in another
//     one instead, and who sent there moves along. In networks of up to 200 beacons
//     several who are better off may give up the same slot for one. When no chain is
//     left, nobody can be raised without lowering somebody no better off. In a small network,
//     up to eleven beacons for a day, chains may then pass through the same beacon
//     more than once, where its site has a slot to spare, and somebody may give up a
//     slot that a quiet share bars as well; and if a site with a quiet
//     share still has one, all is done once more by a pass that does not save shares
//     for later in the day, and the fairer plan is taken.
//  6. bands, spread: within the slots so found, bands are exchanged until counts
//     are near the weights, at first slot by slot and, where not all demands are
//     met, once more over the whole plan; visits are moved to minutes not yet met, and to the hours
//     in which an even spread would put one.
//  7. frequencies: on one band in one slot the signals are intervals in a
//     window; their order and the gaps between them change from slot to slot.
//  8. messages: full and extended, as often as the rule allows.
//  9. reasons: for each shortfall the limits that stand in the way are counted
//     slot by slot, and the one that alone stands there most often is named.
//
// # What it reaches and costs
//
// .ci/long figures prints all figures of the graded family, with five runs of each
// time in rows that benchstat reads, and keeps them. Those below are of single runs
// on a machine under load, memory later than the rest. Whole commands for a day, file
// in, file out, in processor time, in relation to checking the same plan, and the most
// memory at once:
//
//	                beacons  transmissions   plan   plan/check   memory
//	club                  8          1,512   0.04 s    1.0       42 MiB
//	club, 3×              8          2,808   0.07 s    1.6       43 MiB
//	region               60          6,277   0.06 s    1.0       47 MiB
//	region, 3×           60         16,342   0.10 s    1.6       51 MiB
//	nation            1,000        103,648   0.26 s    1.3       88 MiB
//	nation, 3×        1,000        135,360   2.0 s     7.7      135 MiB
//	world            10,000         98,509   0.8 s     1.4      234 MiB
//	world, 3×        10,000        134,992   6.2 s     8.8      285 MiB
//
// The least level of those that want three times as much, beside a level that not
// all can have at once, whatever the plan (TestLeastLevel), and the band deviation,
// largest and in the mean of all beacons:
//
//	                level    bound    band deviation
//	club, 3×       0.5000   0.5000     1.0   0.6
//	region, 3×     0.6306   0.6321    44.7   1.2
//	nation, 3×     0.4258   0.4270    23     7.1
//	world, 3×      0.4250   0.4433     3.3   0.8
//
// With one transmission more each would be above the bound. Of the region's, one
// beacon has 44.7, and with the airtime granted nobody could do better: by day the
// others leave it no room on one of its bands (TestBandsAgainstSolver). Of the
// nation's, all bands are full in all slots. Where all demands fit, the band
// deviation is below 1 over a day as over a week.
//
// Of 360 small crowded fleets, 120 each without and with priorities and with quiet
// shares too, the total is at least 0.999 of what a linear program allows, and nobody is
// more than one below the whole part of a fair share, but for two. In one, with priorities,
// whoever is best off has 47 where 51 would be fair, and all together 0.9975; in another a
// beacon has 586 of 588.
// Of 1,000 each of random, crowded, preferring and quiet fleets, nobody who is short can
// have one transmission more at once, nor in place of one of somebody better off.
//
// By BenchmarkDay, from 300 to 10,000 beacons the time grew with their number to the
// power of 0.7, and of 1.0 where they want three times as much. Replanning a
// nation's day when one beacon has come or left took 0.11 to 0.14 of a fresh plan
// with nothing else to do (BenchmarkSmallChange): a third goes into asking every rule
// about what is kept, a quarter into reading the plan in force, an eighth each into
// the model and into writing all down again.
//
// Where all demands fit, the pass costs half and the rest is shared by spread,
// model and frequencies. Where they don't, half goes into chains, most of which
// end nowhere, and a tenth into telling why.
//
// # The board
//
// All steps move signals on one board, which knows every rule that a plan must
// not break. Nothing is ever put on it without asking, so that a poor decision
// can cost airtime but never break a rule.
package planner
