package status

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// longest is how far ahead a beacon may see its silence; more is cut off.
const longest = 100 * 365 * 24 * time.Hour

// mostMeasures is how many intervals of each kind are shown.
const mostMeasures = 32

// vitals is what the beacon said of itself besides its state.
func (v view) vitals() *apiv1.Vitals {
	said := v.Health
	shown := &apiv1.Vitals{
		Heard: timestamppb.New(v.HealthAt), Satellites: said.Satellites, TemperatureCelsius: said.TemperatureCelsius,
		SupplyVolts: said.SupplyVolts, ForwardWatts: said.ForwardWatts, ReflectedWatts: said.ReflectedWatts,
		OutboxRecords: said.GetOutboxRecords(), DiskFreeBytes: said.DiskFreeBytes,
		UptimeSeconds: said.GetUptimeSeconds(), Version: said.GetVersion(),
		Allan:                measures(said.GetSteadiness().GetAllan()),
		MaxTimeIntervalError: measures(said.GetSteadiness().GetMaxTimeIntervalError()),
	}
	if said.GetClockReason() != "" {
		shown.ClockReason = proto.String(said.GetClockReason())
	}
	if said.SilentInSeconds != nil {
		left := time.Duration(min(said.GetSilentInSeconds(), uint64(longest/time.Second))) * time.Second
		shown.SilentAt = timestamppb.New(v.HealthAt.Add(left))
	}
	return shown
}

func measures(said []*wirev1.Measure) []*apiv1.Measure {
	var shown []*apiv1.Measure
	for _, m := range said[:min(len(said), mostMeasures)] {
		shown = append(shown, &apiv1.Measure{Seconds: m.GetSeconds(), Value: m.GetValue()})
	}
	return shown
}
