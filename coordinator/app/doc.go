// Package app is the coordinator as one value: New, Start, Stop, Addr. All the
// wiring is here and nowhere else, and a test starts the same thing as a shell.
//
// Start goes up in this order, Stop down in the other:
//
//  1. listeners for gRPC and HTTP, so that a port that is taken is known at once
//  2. the database: the one at a URL, or a private one in the folder
//  3. the store with its schema, and the key that orders are signed with
//  4. the services, and the pages for machines
//  5. the network, as soon as a fleet file says which it is: broker, the routing
//     of what agents say, and the election; whoever is elected dispatches
//
// Nothing is lost when any of it ends at any moment: what matters is in the
// database before anybody is told of it.
//
// What this coordinator does when another one puts a fleet file in force is the
// same as when it does so itself: it looks for a new version every second.
package app
