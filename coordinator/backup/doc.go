// Package backup saves what a network can't do without, and brings it back on
// an empty machine.
//
// That is two things: the database, and the key that seals what is secret in it
// (package vault). A backup is a folder with
//
//	about.json     what it is: a format number, when, which program
//	vault.key      the key, as in the coordinator's folder
//	database.dump  all tables as of one moment, in the form of pg_dump(1)
//
// Whoever has the folder has the network, so only its owner may read it. It is
// made under another name and renamed when it is whole.
//
// # What a restored database has forgotten
//
// Orders and leases that were given after the backup may still be obeyed, for six
// hours by a beacon under automatic control, and nobody knows them any more. So
// a restored network begins under a hush of all beacons, which reaches those that
// are connected. A person ends it when every beacon has answered, or when the six
// hours are over. Numbers of orders can't run backwards: the epoch of the next
// leader is the time (package lead).
//
// The key comes last. Without it a coordinator opens nothing in the database, so
// none can start between the tables and the hush.
package backup
