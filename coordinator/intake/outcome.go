package intake

import (
	"math"
	"strings"
	"time"

	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// outcome is what the table of outcomes says of one; nil if it makes no sense:
// then only the record is kept.
func outcome(wire *wirev1.Outcome, length slot.Length) *store.Outcome {
	sent, kind := wire.GetTransmission(), outcomeKind(wire.GetKind())
	if sent == nil || kind == "" || !isName(sent.GetBand(), "") || sent.GetBand() == "" || !isName(wire.GetReason(), "_") ||
		wire.GetOrders().GetEpoch() > maxSeq || wire.GetOrders().GetRevision() > maxSeq ||
		sent.GetDrivePercent() > math.MaxInt32 || wire.GetSymbols() > math.MaxInt32 {
		return nil
	}
	said := sent.GetMessage()
	return &store.Outcome{
		Slot: sent.GetSlot(), StartAt: slotStart(sent.GetSlot(), length),
		Epoch: int64(wire.GetOrders().GetEpoch()), Revision: int64(wire.GetOrders().GetRevision()),
		Band: sent.GetBand(), FrequencyMillihertz: sent.GetFrequencyMillihertz(), UncertaintyMillihertz: sent.GetUncertaintyMillihertz(),
		Callsign: plain(said.GetCallsign(), 16), Locator: plain(said.GetLocator(), 16), PowerDBm: said.GetPowerDbm(),
		MessageKind: messageKind(said.GetKind()), DrivePercent: int32(sent.GetDrivePercent()), Control: control(sent.GetControl()),
		Kind: kind, Reason: wire.GetReason(),
		PermittedAt: optionalInstant(wire.PermittedUnixUs), KeyedAt: optionalInstant(wire.KeyedUnixUs), UnkeyedAt: optionalInstant(wire.UnkeyedUnixUs),
		Symbols: int32(wire.GetSymbols()), ClockErrorBoundNs: wire.ClockErrorBoundNs,
	}
}

// slotStart is nil for a slot outside of the calendar.
func slotStart(n int64, length slot.Length) *time.Time {
	const secondsPerDay = 24 * 60 * 60
	if n < firstDay*secondsPerDay/int64(length) || n > lastDay*secondsPerDay/int64(length) {
		return nil
	}
	start := length.Start(slot.Number(n))
	return &start
}

func optionalInstant(us *int64) *time.Time {
	if us == nil {
		return nil
	}
	return instant(*us)
}

func outcomeKind(kind wirev1.OutcomeKind) string {
	switch kind {
	case wirev1.OutcomeKind_OUTCOME_KIND_SENT:
		return "sent"
	case wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED:
		return "skipped"
	case wirev1.OutcomeKind_OUTCOME_KIND_ABORTED:
		return "aborted"
	default:
		return ""
	}
}

func messageKind(kind wirev1.MessageKind) string {
	switch kind {
	case wirev1.MessageKind_MESSAGE_KIND_FULL:
		return "full"
	case wirev1.MessageKind_MESSAGE_KIND_EXTENDED:
		return "extended"
	default:
		return "unknown"
	}
}

func control(c wirev1.Control) string {
	switch c {
	case wirev1.Control_CONTROL_LOCAL:
		return "local"
	case wirev1.Control_CONTROL_REMOTE:
		return "remote"
	case wirev1.Control_CONTROL_AUTOMATIC:
		return "automatic"
	default:
		return "unknown"
	}
}

// isName says whether text can be the name of a band or, with '_' allowed, a
// reason: nothing that could flood a table of counters or break a page.
func isName(text, besides string) bool {
	const longest = 40
	if len(text) > longest {
		return false
	}
	for _, c := range text {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && !strings.ContainsRune(besides, c) {
			return false
		}
	}
	return true
}

// plain keeps of a text for people what can be shown and stored: no control
// characters, and no more than longest bytes.
func plain(text string, longest int) string {
	text = strings.Map(func(c rune) rune {
		if c < ' ' || c == 0x7f {
			return -1
		}
		return c
	}, text)
	if len(text) > longest {
		text = strings.ToValidUTF8(text[:longest], "")
	}
	return text
}
