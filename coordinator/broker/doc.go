// Package broker carries what coordinator and agents say to each other, either
// through an MQTT broker inside this process (Embedded) or as a client of one
// outside (External). Both are a Broker, and one test suite holds both to it.
//
// The broker keeps nothing that matters. Sessions are clean; what agents are to
// do is published retained, and again from the database whenever OnConnect says
// that the broker may have forgotten. What agents say comes out of Deliveries
// and is acknowledged to them when its Done is called, that is after it was
// stored: a coordinator that dies before leaves the message with the agent.
// Whoever does not call Done holds the sender up, never loses its message.
//
// An agent's client id is "{network}/{beacon}" (topic.Address.ClientID), so
// that a broker outside can bind topics to it by a pattern of its own, such as
// "lamplighter/v1/%c/up/#". The embedded broker refuses every other id, lets an
// agent write only its own up topics (its will too) and read only its own down
// topics, refuses sessions that outlive a connection, and counts each refusal.
// Over TLS the id must be that of the beacon in the device's certificate, which
// is judged in the handshake, at the connect, and again when any is revoked or
// over. Without TLS an id is a claim, not a proof: hence it listens on loopback
// only then. Nothing that comes this way can key a transmitter; orders, leases
// and hushes are signed.
//
// The embedded broker holds back its acknowledgement by taking the message out of
// the connection before the library reads it (agentConn; with MQTT 5.0, as soon as
// it has), and writing the PUBACK itself after Done, together with those of other
// messages that were dealt with meanwhile. Hence what agents publish reaches this
// process and nobody else, presence included, which it needs no retained copy of:
// when this process starts anew, so do they. Subscriptions and what is retained are
// ours too: each agent reads a few topics of its own, so that a set of bits says
// which, and the library's tree of topics stays empty. An idle agent has one
// goroutine that reads and the library's one that writes; ours is there only while
// there is something to write. Two edges follow. QoS 2, whose handshake could not
// be held back so, is refused by closing the connection; and each client may have
// a bounded number of messages waiting for Done, after which its connection is read
// no further.
//
// The external client reconnects by itself with a growing, scattered pause, one
// new client for each connection, and counts as connected only when the broker
// granted every subscription. Several coordinators on one broker share records
// and receptions, and all hear what is said live; the broker has to know shared
// subscriptions (MQTT 5.0, section 4.8.2), for clients of MQTT 3.1.1 too.
package broker
