package core

// Reason says why a slot was not used, or would not be.
type Reason string

// The reasons. Those of the keyer stand beside them in outcomes, as it says
// them.
const (
	None            Reason = ""
	Off             Reason = "off"
	Stopped         Reason = "stopped"
	KeyerGone       Reason = "keyer_gone"
	KeyerSilent     Reason = "keyer_silent"
	KeyerTripped    Reason = "keyer_tripped"
	UpdateNeeded    Reason = "update_needed"
	DiskFull        Reason = "disk_full"
	NoOrders        Reason = "no_orders"
	OrdersEnded     Reason = "orders_ended"
	Hushed          Reason = "hushed"
	ClockUnsure     Reason = "clock_unsure"
	FrequencyUnsure Reason = "frequency_unsure"
	NoLease         Reason = "no_lease"
	Late            Reason = "late"
	AgentRestarted  Reason = "agent_restarted"
)

// Reasons lists all of them, each with a sentence for people.
func Reasons() map[Reason]string {
	return map[Reason]string{
		Off:             "The agent was not running when the slot began.",
		Stopped:         "The agent is being stopped.",
		KeyerGone:       "The keyer does not answer.",
		KeyerSilent:     "The keyer never said how a slot that it was given ended.",
		KeyerTripped:    "The keyer tripped and waits for an operator to re-arm it.",
		UpdateNeeded:    "The orders need a newer program than this one.",
		DiskFull:        "Nothing can be written to the outbox, so nothing may be sent.",
		NoOrders:        "There are no orders.",
		OrdersEnded:     "The orders have come to their end and no others have arrived.",
		Hushed:          "A hush is in force.",
		ClockUnsure:     "The clock may be more than half a second wrong, or how wrong is not known.",
		FrequencyUnsure: "The frequency is less certain than the plan allowed for, or how certain is not known.",
		NoLease:         "No lease covers the whole transmission.",
		Late:            "The slot began before everything was ready for it.",
		AgentRestarted:  "The agent ended while the slot was in its hands.",
	}
}
