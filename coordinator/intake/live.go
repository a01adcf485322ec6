package intake

import (
	"math"
	"time"

	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

func readHealth(m *message, wire *wirev1.Health) *Refusal {
	if !isRun(wire.GetRun()) {
		return refuse(BadValue, "health of %s: its run %.40q is not 32 hexadecimal digits", m.address.Beacon, wire.GetRun())
	}
	for name, value := range map[string]uint64{
		"orders.epoch": wire.GetOrders().GetEpoch(), "orders.revision": wire.GetOrders().GetRevision(),
		"hush.epoch": wire.GetHush().GetEpoch(), "hush.number": wire.GetHush().GetNumber(), "live_seq": wire.GetLiveSeq(),
	} {
		if value > maxSeq {
			return refuse(BadValue, "health of %s: %s is %d, which nothing counts up to", m.address.Beacon, name, value)
		}
	}
	if !isName(wire.GetBand(), "") || !isName(wire.GetMuteReason(), "_") {
		return refuse(BadValue, "health of %s: band %.40q or mute_reason %.40q is no name", m.address.Beacon, wire.GetBand(), wire.GetMuteReason())
	}
	bound, uncertainty := wire.ClockErrorBoundNs, wire.FrequencyUncertaintyPpb
	if bound != nil && *bound < 0 || uncertainty != nil && (math.IsNaN(*uncertainty) || math.IsInf(*uncertainty, 0) || *uncertainty < 0) {
		return refuse(BadValue, "health of %s: a bound on an error is below zero or no number", m.address.Beacon)
	}
	if refusal := checkMeasured(m.address.Beacon, wire); refusal != nil {
		return refusal
	}
	h := store.Health{
		Beacon: m.address.Beacon, Run: wire.GetRun(), LiveSeq: int64(wire.GetLiveSeq()), Message: m.delivery.Payload,
		Lock: lock(wire.GetLock()), ClockErrorBoundNs: bound, FrequencyUncertaintyPpb: uncertainty,
		OnAir: wire.GetOnAir(), MuteReason: unlessEmpty(wire.GetMuteReason()), HushSilent: wire.GetHushSilent(),
		LeaseUntil: fromMilliseconds(wire.LeaseUntilUnixMs),
		SentToday:  int64(wire.GetSentToday()), SkippedToday: int64(wire.GetSkippedToday()),
		Version: plain(wire.GetVersion(), 64), Reader: int64(wire.GetReader()),
	}
	if wire.GetOnAir() {
		h.Band, h.Slot = unlessEmpty(wire.GetBand()), &wire.Slot
	}
	h.OrdersEpoch, h.OrdersRevision = pair(wire.GetOrders().GetEpoch(), wire.GetOrders().GetRevision())
	h.HushEpoch, h.HushNumber = pair(wire.GetHush().GetEpoch(), wire.GetHush().GetNumber())
	m.reports.Health = []store.Health{h}
	return nil
}

func readPresence(m *message, wire *wirev1.Presence) *Refusal {
	if !isRun(wire.GetRun()) {
		return refuse(BadValue, "presence of %s: its run %.40q is not 32 hexadecimal digits", m.address.Beacon, wire.GetRun())
	}
	if wire.GetConnection() > maxSeq {
		return refuse(BadValue, "presence of %s: connection is %d, which nothing counts up to", m.address.Beacon, wire.GetConnection())
	}
	m.reports.Presence = []store.Presence{{
		Beacon: m.address.Beacon, Run: wire.GetRun(), Connection: int64(wire.GetConnection()), Online: wire.GetOnline(),
		Retained: m.delivery.Retained, Version: plain(wire.GetVersion(), 64), Reader: int64(wire.GetReader()),
	}}
	return nil
}

func lock(l wirev1.Lock) *string {
	var text string
	switch l {
	case wirev1.Lock_LOCK_LOCKED:
		text = "locked"
	case wirev1.Lock_LOCK_HOLDOVER:
		text = "holdover"
	case wirev1.Lock_LOCK_NONE:
		text = "none"
	}
	return unlessEmpty(text)
}

func unlessEmpty(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

// pair is nil, nil for zeros: nothing was accepted yet.
func pair(epoch, number uint64) (*int64, *int64) {
	if epoch == 0 && number == 0 {
		return nil, nil
	}
	e, n := int64(epoch), int64(number)
	return &e, &n
}

func fromMilliseconds(ms *int64) *time.Time {
	if ms == nil || *ms > math.MaxInt64/1000 || *ms < math.MinInt64/1000 {
		return nil
	}
	return instant(*ms * 1000)
}
