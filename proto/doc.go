// Package proto is what coordinators and agents agree on, in two halves.
//
// On the wire: lamplighter/wire/v1 holds the messages that travel by MQTT,
// topic builds and parses the topics they travel on, seal signs them and
// checks the signatures, setup is the file that brings a new agent all that it
// needs to take part, lamplighter/keyer/v1 is what an agent and its keyer say
// to each other, and lamplighter/api/v1 is the gRPC interface for people and
// their programs.
//
// On the air: onair/slot says when, onair/band where in the spectrum,
// onair/locator where on the globe, and onair/wspr what is sent.
//
// Nothing here imports anything of ours from outside this folder.
package proto
