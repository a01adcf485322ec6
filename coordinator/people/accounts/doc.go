// Package accounts finds out who somebody is: by name and password, by a
// browser's session, by a program's token, by what an OpenID provider says.
//
// # Secrets
//
// Passwords are kept as argon2id, with 19 MiB and two passes, two at a time, so
// that many who log in at once can't take all memory. Sessions and tokens are 130
// random bits, of which the database has only the SHA-256: they can't be guessed,
// so nothing slower is needed.
//
// # Passwords that were given
//
// The first admin, and whoever an admin makes an account for, gets a password of
// the program's making. It lasts a day, and whoever logs in by it may do nothing
// but choose their own. That of the first admin stands in a file that only its
// owner reads, which goes when they have chosen; it is made anew at each start
// until then.
//
// # Guessing
//
// Each try counts against its name and its address before the password is looked
// at (package guess, and Store.TryLogin for how that holds against many at once).
// A name that does not exist takes as long as a wrong password.
//
// # When the database does not answer
//
// Nobody can log in, and nobody is let in on a session or token; except that
// ForSilence goes by who was let in by it in the last day. It is for orders to be
// silent, and nothing else may ask it.
package accounts
