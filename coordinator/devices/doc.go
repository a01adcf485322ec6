// Package devices decides which devices may speak as which beacon. It reads no
// clock and opens nothing; package registrar does that around it.
//
// The coordinators of a network are their own certificate authority. A device
// makes its key itself and never gives it away. By a token that works once (RFC
// 5280 certificates, X.509) its key is certified for one beacon: the common name
// is the beacon's name, the organisation the network's id. A certificate lasts
// 90 days and is renewed, for the same key, when a third of that is left. One
// that is over can be renewed for another 180 days when an operator lets it;
// after that the beacon is enrolled anew.
//
// A certificate counts only while it stands in the database, so that a stolen
// authority alone lets nobody in, and not once it was revoked, which lasts for
// ever: what is revoked is the key, and enrolment refuses a key that was ever
// seen. Every answer to "may this device speak?" is a Reason.
//
// Authorities overlap. The next one is made when a third of the life of the
// newest is left, and signs the certificates of devices at once, since every
// coordinator knows it; coordinator and broker show one signed by it only after
// 120 days, when every device has learnt of it with a renewal.
package devices
