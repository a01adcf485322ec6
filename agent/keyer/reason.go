package keyer

import (
	"fmt"
	"maps"
	"slices"
)

// Reason says why the keyer refuses, is mute, or ended a transmission early.
type Reason string

// Why a sealed message has no effect.
const (
	TooLarge       Reason = "too_large"
	Garbled        Reason = "garbled"
	UnknownKey     Reason = "unknown_key"
	BadSignature   Reason = "bad_signature"
	WrongAddress   Reason = "wrong_address"
	UpdateNeeded   Reason = "update_needed"
	Older          Reason = "older"
	Conflicting    Reason = "conflicting"
	OutOfBounds    Reason = "out_of_bounds"
	SlotLength     Reason = "slot_length"
	UnknownNonce   Reason = "unknown_nonce"
	OtherBoot      Reason = "other_boot"
	TermTooLong    Reason = "term_too_long"
	NothingGranted Reason = "nothing_granted"
	OrdersNotHeld  Reason = "orders_not_held"
	LeaseOver      Reason = "lease_over"
	NotOnDisk      Reason = "not_on_disk"
	Busy           Reason = "busy"
	NotTripped     Reason = "not_tripped"
	CausePersists  Reason = "cause_persists"
)

// Why the keyer is mute, or a slot is not sent, or not to its end.
const (
	StateGarbled     Reason = "state_garbled"
	Watchdog         Reason = "watchdog"
	UnkeyFailed      Reason = "unkey_failed"
	ReadBack         Reason = "read_back"
	Assertion        Reason = "assertion"
	TransceiverOn    Reason = "transceiver_on"
	AntennaAway      Reason = "antenna_away"
	DoorOpen         Reason = "door_open"
	LockedOut        Reason = "locked_out"
	InputsUnread     Reason = "inputs_unread"
	AgentSilent      Reason = "agent_silent"
	AgentGone        Reason = "agent_gone"
	KeyerStopped     Reason = "keyer_stopped"
	Stopped          Reason = "stopped"
	ClockUnknown     Reason = "clock_unknown"
	ClockUnsure      Reason = "clock_unsure"
	ClockStepped     Reason = "clock_stepped"
	FrequencyUnknown Reason = "frequency_unknown"
	FrequencyUnsure  Reason = "frequency_unsure"
	NoEnvelope       Reason = "no_envelope"
	NoOrders         Reason = "no_orders"
	NotListed        Reason = "not_listed"
	Withdrawn        Reason = "withdrawn"
	Hushed           Reason = "hushed"
	OutsideEnvelope  Reason = "outside_envelope"
	OutsideLicence   Reason = "outside_licence"
	WrongCallsign    Reason = "wrong_callsign"
	TooMuchPower     Reason = "too_much_power"
	WrongControl     Reason = "wrong_control"
	NotEncodable     Reason = "not_encodable"
	NoFullBefore     Reason = "no_full_before"
	NoLease          Reason = "no_lease"
	LeaseEnds        Reason = "lease_ends"
	OperatorAbsent   Reason = "operator_absent"
	LocalOnly        Reason = "local_only"
	SlotUsed         Reason = "slot_used"
	Early            Reason = "early"
	Late             Reason = "late"
	OutsideSlot      Reason = "outside_slot"
	TransmitterError Reason = "transmitter_fault"
)

// sentences holds every reason, for people.
var sentences = map[Reason]string{
	TooLarge:       "the message is larger than any that is read",
	Garbled:        "the message can't be read",
	UnknownKey:     "the message is signed with a key that is not the coordinator's",
	BadSignature:   "the signature does not fit: forged, or meant for somebody else",
	WrongAddress:   "the message names another network or beacon",
	UpdateNeeded:   "the message needs a newer program: update the agent",
	Older:          "something newer was accepted already",
	Conflicting:    "something else was accepted under the same number",
	OutOfBounds:    "the message holds what no such message may hold",
	SlotLength:     "slots of this length are for simulated transmitters only, and envelope and orders must agree on it",
	UnknownNonce:   "the grant answers no request that is open",
	OtherBoot:      "the grant is for another boot of the machine",
	TermTooLong:    "the grant is for longer than its kind of control allows",
	NothingGranted: "the coordinator grants nothing",
	OrdersNotHeld:  "the grant is for orders that this keyer does not hold",
	LeaseOver:      "the grant was over before it arrived",
	NotOnDisk:      "the keyer can't write its state; make room on the disk, or replace it",
	Busy:           "the keyer has as much to do as it can hold",
	NotTripped:     "the keyer has not tripped, so there is nothing to re-arm",
	CausePersists:  "what the keyer tripped on is still so",

	StateGarbled:     "the keyer's state file can't be read, so everything is silent until an operator re-arms",
	Watchdog:         "the key was down for too long; an operator must look and re-arm",
	UnkeyFailed:      "the transmitter could not be keyed up for certain; an operator must look and re-arm",
	ReadBack:         "the key line is not as it was set; an operator must look and re-arm",
	Assertion:        "the keyer found something impossible and stopped itself; an operator must re-arm, and the log is worth reporting",
	TransceiverOn:    "the transceiver beside the beacon is on, or the wire that would say so is broken",
	AntennaAway:      "the antenna is switched away, or the wire that would say so is broken",
	DoorOpen:         "a door is open, or the wire that would say so is broken",
	LockedOut:        "the transmitter is locked out, or the wire that would say so is broken",
	InputsUnread:     "the interlock inputs can't be read",
	AgentSilent:      "the agent's heartbeat is missing",
	AgentGone:        "the agent is gone",
	KeyerStopped:     "the keyer is being stopped",
	Stopped:          "the agent said stop",
	ClockUnknown:     "nobody knows how wrong the clock is",
	ClockUnsure:      "the clock may be wrong by more than half a second",
	ClockStepped:     "the wall clock was set a moment ago",
	FrequencyUnknown: "nobody knows how wrong the transmitter's frequency is",
	FrequencyUnsure:  "the transmitter's frequency is less certain than the plan allowed for",
	NoEnvelope:       "there is no envelope: what the licence allows is not known",
	NoOrders:         "there are no orders",
	NotListed:        "the orders do not list this slot",
	Withdrawn:        "newer orders have taken the slot back",
	Hushed:           "the band is hushed",
	OutsideEnvelope:  "the signal would not lie in a segment that the envelope allows",
	OutsideLicence:   "the licence does not run then",
	WrongCallsign:    "the call sign is not the envelope's",
	TooMuchPower:     "the power is more than the envelope allows",
	WrongControl:     "the kind of control is not the envelope's",
	NotEncodable:     "the message can't be sent",
	NoFullBefore:     "no full message on this band was completed in the 8 minutes before",
	NoLease:          "there is no lease for this kind of control",
	LeaseEnds:        "the lease ends too soon after the transmission",
	OperatorAbsent:   "no operator is present, as local control needs",
	LocalOnly:        "the transmitter has no key line, so it is for local control only",
	SlotUsed:         "the slot was keyed before",
	Early:            "the slot is too far ahead to be permitted",
	Late:             "the start of the slot was missed",
	OutsideSlot:      "the slot is over by the keyer's clock",
	TransmitterError: "the transmitter reports a fault",
}

// Sentence says the reason to a person.
func (r Reason) Sentence() string { return sentences[r] }

// refusal is a reason with what it is about.
type refusal struct {
	reason   Reason
	sentence string
}

// refuse gives a refusal; the detail, where there is one, follows the reason's
// own sentence.
func refuse(r Reason, detail string, args ...any) *refusal {
	sentence := r.Sentence()
	if detail != "" {
		sentence += ": " + fmt.Sprintf(detail, args...)
	}
	return &refusal{r, sentence}
}

// Reasons lists every reason, in alphabetical order.
func Reasons() []Reason { return slices.Sorted(maps.Keys(sentences)) }
