// Package database runs a private Postgres for a coordinator that was given
// none, out of the binaries that the distribution's package brings.
//
// One folder holds everything: data/ (the cluster), password (of the one role,
// for connections over TCP) and socket/. Without a wish for TCP the server
// listens on nothing but its socket, in a folder that only its own user can
// enter. An existing folder is used again as it is.
//
// Postgres refuses to run as root, so root hands it to the user postgres, else
// nobody; that user then owns data/ and socket/, and must be able to enter every
// folder above. Anybody else runs it as themselves.
//
// States: starting (ready means that a query was answered), running, stopping.
// A server that dies while nobody asked it to is started again, on the same
// socket and port, with growing pauses; clients see refused connections and come
// again. When this program is killed the kernel interrupts the server, which
// then shuts down by itself; a lock file that such an end leaves behind counts
// only while its process lives and is a Postgres of the same folder.
package database
