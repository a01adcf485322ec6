package api

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

// The bounds of what is told of the past.
const (
	longestSlots  = 8 * 24 * time.Hour
	mostSlots     = 300_000
	longestHealth = 32 * 24 * time.Hour
	usualSamples  = 500
	mostSamples   = 2000
)

// historyService tells of slots and of health.
type historyService struct {
	apiv1.UnimplementedHistoryServiceServer
	options Options
}

// span is a stretch of time that is not longer than allowed.
func span(from, to *timestamppb.Timestamp, longest time.Duration) (begin, end time.Time, err error) {
	if begin, err = checkedTime("from", from); err != nil {
		return begin, end, err
	}
	if end, err = checkedTime("to", to); err != nil {
		return begin, end, err
	}
	if length := end.Sub(begin); from == nil || to == nil || length <= 0 || length > longest {
		return begin, end, fault.New(fault.Invalid, "to", "give a time after from, at most %.0f days after it", longest.Hours()/24)
	}
	return begin, end, nil
}

// ListSlots lists ordered slots.
func (s *historyService) ListSlots(ctx context.Context, r *apiv1.ListSlotsRequest) (*apiv1.ListSlotsResponse, error) {
	from, to, err := span(r.GetFrom(), r.GetTo(), longestSlots)
	if err != nil {
		return nil, err
	}
	if r.GetBeacon() != "" {
		if err := topic.CheckID(r.GetBeacon()); err != nil {
			return nil, fault.New(fault.Invalid, "beacon", "%w", err)
		}
	}
	current, _, err := s.options.Fleets.Current(ctx)
	if err != nil || current == nil {
		return &apiv1.ListSlotsResponse{}, err
	}
	entries, err := s.options.Store.Slots(ctx, r.GetBeacon(), from, to, mostSlots+1)
	if err != nil {
		return nil, err
	}
	if len(entries) > mostSlots {
		return nil, fault.New(fault.Invalid, "to", "these are more than %d slots; ask for a shorter time, or for one beacon", mostSlots)
	}
	answer := &apiv1.ListSlotsResponse{SlotSeconds: int64(current.Network.Slot), Slots: make([]*apiv1.LedgerSlot, len(entries))}
	for i, e := range entries {
		answer.Slots[i] = &apiv1.LedgerSlot{
			Beacon: e.Beacon, Slot: e.Slot, Band: e.Band, FrequencyHz: float64(e.FrequencyMillihertz) / 1000,
			Extended: e.MessageKind == "extended", Ending: endings[e.Ending],
		}
		if e.Reason != nil {
			answer.Slots[i].Reason = *e.Reason
		}
	}
	return answer, nil
}

var endings = map[string]apiv1.SlotEnding{
	"open":       apiv1.SlotEnding_SLOT_ENDING_OPEN,
	"sent":       apiv1.SlotEnding_SLOT_ENDING_SENT,
	"skipped":    apiv1.SlotEnding_SLOT_ENDING_SKIPPED,
	"aborted":    apiv1.SlotEnding_SLOT_ENDING_ABORTED,
	"unreported": apiv1.SlotEnding_SLOT_ENDING_UNREPORTED,
}

// ListHealth lists what a beacon said of itself.
func (s *historyService) ListHealth(ctx context.Context, r *apiv1.ListHealthRequest) (*apiv1.ListHealthResponse, error) {
	if err := topic.CheckID(r.GetBeacon()); err != nil {
		return nil, fault.New(fault.Invalid, "beacon", "%w", err)
	}
	from, to, err := span(r.GetFrom(), r.GetTo(), longestHealth)
	if err != nil {
		return nil, err
	}
	most := int(r.GetMost())
	if most == 0 {
		most = usualSamples
	}
	if most < 0 || most > mostSamples {
		return nil, fault.New(fault.Invalid, "most", "give a number from 1 to %d", mostSamples)
	}
	bodies, err := s.options.Store.HealthRecords(ctx, r.GetBeacon(), from, to, most)
	if err != nil {
		return nil, err
	}
	answer := &apiv1.ListHealthResponse{}
	for _, body := range bodies {
		record := &wirev1.Record{}
		if err := proto.Unmarshal(body, record); err != nil {
			return nil, err
		}
		answer.Samples = append(answer.Samples, sample(record))
	}
	return answer, nil
}

// sample is a health record as it is told.
func sample(record *wirev1.Record) *apiv1.HealthSample {
	said := record.GetHealth()
	told := &apiv1.HealthSample{
		At: timestamppb.New(time.UnixMicro(record.GetDeviceUnixUs())), Lock: locks[said.GetLock()],
		Satellites: said.Satellites, TemperatureCelsius: said.TemperatureCelsius, SupplyVolts: said.SupplyVolts,
		OnAir: said.GetOnAir(), MuteReason: said.GetMuteReason(), Version: said.GetVersion(),
	}
	if said.ClockErrorBoundNs != nil {
		told.ClockErrorSeconds = proto.Float64(time.Duration(said.GetClockErrorBoundNs()).Seconds())
	}
	if said.FrequencyUncertaintyPpb != nil {
		told.FrequencyUncertaintyRatio = proto.Float64(said.GetFrequencyUncertaintyPpb() / 1e9)
	}
	return told
}

var locks = map[wirev1.Lock]apiv1.LockState{
	wirev1.Lock_LOCK_LOCKED:   apiv1.LockState_LOCK_STATE_LOCKED,
	wirev1.Lock_LOCK_HOLDOVER: apiv1.LockState_LOCK_STATE_HOLDOVER,
	wirev1.Lock_LOCK_NONE:     apiv1.LockState_LOCK_STATE_NONE,
}

// GetHush says how each beacon stands to a hush.
func (s *historyService) GetHush(ctx context.Context, r *apiv1.GetHushRequest) (*apiv1.GetHushResponse, error) {
	confirmations, err := s.options.Hushes.Confirmations(ctx, r.GetHush())
	if err != nil {
		return nil, err
	}
	if len(confirmations) == 0 {
		return nil, fault.New(fault.NotFound, "hush", "there was no hush %d", r.GetHush())
	}
	inForce, err := (&hushService{options: s.options}).ListHushes(ctx, &apiv1.ListHushesRequest{})
	if err != nil {
		return nil, err
	}
	answer := &apiv1.GetHushResponse{}
	for _, hush := range inForce.GetHushes() {
		if hush.GetHush() == r.GetHush() {
			answer.Hush = hush
		}
	}
	for _, c := range confirmations {
		told := &apiv1.HushResponse{Hush: r.GetHush(), Beacons: int32(len(confirmations)), Beacon: c.Beacon, Site: c.Site, Confirmed: c.Confirmed}
		if !c.Confirmed && !c.SilentBy.IsZero() {
			told.SilentBy = timestamppb.New(c.SilentBy)
		}
		answer.Beacons = append(answer.Beacons, told)
	}
	return answer, nil
}
