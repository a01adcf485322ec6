// Package topic builds and parses every MQTT topic; no other place has a slash
// in a string.
//
//	lamplighter/v1/{network}/{beacon}/down/orders          retained
//	lamplighter/v1/{network}/{beacon}/down/hush            retained
//	lamplighter/v1/{network}/{beacon}/down/lease
//	lamplighter/v1/{network}/{beacon}/down/receipts
//	lamplighter/v1/{network}/{beacon}/up/presence          retained, also the will
//	lamplighter/v1/{network}/{beacon}/up/lease-request
//	lamplighter/v1/{network}/{beacon}/up/health
//	lamplighter/v1/{network}/{beacon}/up/records
//	lamplighter/v1/{network}/{receiver}/up/receptions
//
// Networks and beacons are ids that match [a-z0-9-]{1,64}, so no id can hold a
// level separator or a wildcard, and a parsed topic is always one that this
// package could have built.
package topic

import (
	"fmt"
	"strings"
)

// Kind is one of the things that are said between coordinator and agent.
type Kind string

// The kinds: what goes down to the agent, and what comes up from it.
const (
	Orders       Kind = "down/orders"
	Hush         Kind = "down/hush"
	Lease        Kind = "down/lease"
	Receipts     Kind = "down/receipts"
	Presence     Kind = "up/presence"
	LeaseRequest Kind = "up/lease-request"
	Health       Kind = "up/health"
	Records      Kind = "up/records"
	Receptions   Kind = "up/receptions"
)

// Kinds lists all of them.
func Kinds() []Kind {
	return []Kind{Orders, Hush, Lease, Receipts, Presence, LeaseRequest, Health, Records, Receptions}
}

// Retained says whether the broker is to keep the latest message.
func (k Kind) Retained() bool { return k == Orders || k == Hush || k == Presence }

// Down says whether the coordinator speaks and the agent listens.
func (k Kind) Down() bool { return strings.HasPrefix(string(k), "down/") }

func (k Kind) known() bool {
	switch k {
	case Orders, Hush, Lease, Receipts, Presence, LeaseRequest, Health, Records, Receptions:
		return true
	}
	return false
}

const (
	root     = "lamplighter"
	version  = "v1"
	separate = "/"
	anyLevel = "+"
	share    = "$share"
	maxID    = 64
)

// Address is one beacon of one network.
type Address struct {
	Network, Beacon string
}

// Topic gives the topic of one kind of message at this address.
func (a Address) Topic(k Kind) string {
	return strings.Join([]string{root, version, a.Network, a.Beacon, string(k)}, separate)
}

// ClientID is the id with which the agent at this address connects to a broker.
func (a Address) ClientID() string { return a.Network + separate + a.Beacon }

// ParseClientID takes an agent's client id apart.
func ParseClientID(id string) (Address, error) {
	network, beacon, ok := strings.Cut(id, separate)
	if !ok {
		return Address{}, fmt.Errorf("client id %.130q is not NETWORK%sBEACON", id, separate)
	}
	for _, part := range []string{network, beacon} {
		if err := CheckID(part); err != nil {
			return Address{}, fmt.Errorf("client id %.130q: %w", id, err)
		}
	}
	return Address{network, beacon}, nil
}

// Every gives the subscription for one kind of message from every beacon of a
// network.
func Every(network string, k Kind) string {
	return Address{Network: network, Beacon: anyLevel}.Topic(k)
}

// Shared gives the subscription to the same for one of several who share the
// work of a name: the broker hands each message to one of them, and nothing that
// it has kept from before (MQTT 5.0, section 4.8.2).
func Shared(name, network string, k Kind) string {
	return strings.Join([]string{share, name, Every(network, k)}, separate)
}

// Parse takes a topic apart. The error says what is wrong with it.
func Parse(topic string) (Address, Kind, error) {
	// Without an array of levels: this is asked of each message, more than once.
	first, rest, _ := strings.Cut(topic, separate)
	second, rest, _ := strings.Cut(rest, separate)
	network, rest, _ := strings.Cut(rest, separate)
	beacon, last, complete := strings.Cut(rest, separate)
	if !complete || first != root || second != version {
		return Address{}, "", fmt.Errorf("topic %.200q is not %s", topic, Address{"NETWORK", "BEACON"}.Topic("…"))
	}
	address, kind := Address{network, beacon}, Kind(last)
	for _, id := range [...]string{address.Network, address.Beacon} {
		if err := CheckID(id); err != nil {
			return Address{}, "", fmt.Errorf("topic %.200q: %w", topic, err)
		}
	}
	if !kind.known() {
		return Address{}, "", fmt.Errorf("topic %.200q ends in %.40q, which nobody here says", topic, string(kind))
	}
	return address, kind, nil
}

// CheckID says what is wrong with the id of a network, site or beacon, nil if
// nothing is: 1 to 64 characters out of a-z, 0-9 and '-'.
func CheckID(id string) error {
	if id == "" {
		return fmt.Errorf("an id must not be empty")
	}
	if len(id) > maxID {
		return fmt.Errorf("id %.64q… is longer than %d characters", id, maxID)
	}
	for _, c := range id {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return fmt.Errorf("id %q holds %q: only a-z, 0-9 and '-' may stand in an id", id, c)
		}
	}
	return nil
}
