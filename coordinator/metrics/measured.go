package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// measured are the metrics of what a beacon says that it measured; what is not
// measured is no sample.
var measured = []struct {
	description *prometheus.Desc
	of          func(v *apiv1.Vitals, now time.Time) (value float64, known bool)
}{
	{
		describe("silent_in_seconds", "How long until the beacon falls silent if no source of time speaks to it any more."),
		func(v *apiv1.Vitals, now time.Time) (float64, bool) {
			return max(0, v.GetSilentAt().AsTime().Sub(now).Seconds()), v.GetSilentAt() != nil
		},
	},
	{
		describe("gps_satellites", "Satellites that the beacon's fix rests on."),
		func(v *apiv1.Vitals, _ time.Time) (float64, bool) {
			return float64(v.GetSatellites()), v != nil && v.Satellites != nil
		},
	},
	{
		describe("temperature_celsius", "Temperature near the beacon's crystal."),
		func(v *apiv1.Vitals, _ time.Time) (float64, bool) {
			return v.GetTemperatureCelsius(), v != nil && v.TemperatureCelsius != nil
		},
	},
	{
		describe("supply_volts", "Voltage of the beacon's supply."),
		func(v *apiv1.Vitals, _ time.Time) (float64, bool) {
			return v.GetSupplyVolts(), v != nil && v.SupplyVolts != nil
		},
	},
	{
		describe("forward_watts", "Power towards the beacon's antenna."),
		func(v *apiv1.Vitals, _ time.Time) (float64, bool) {
			return v.GetForwardWatts(), v != nil && v.ForwardWatts != nil
		},
	},
	{
		describe("reflected_watts", "Power back from the beacon's antenna."),
		func(v *apiv1.Vitals, _ time.Time) (float64, bool) {
			return v.GetReflectedWatts(), v != nil && v.ReflectedWatts != nil
		},
	},
	{
		describe("outbox_records", "Records that the beacon's agent keeps until the coordinator has them."),
		func(v *apiv1.Vitals, _ time.Time) (float64, bool) { return float64(v.GetOutboxRecords()), v != nil },
	},
	{
		describe("disk_free_bytes", "Bytes free where the beacon's agent keeps its records."),
		func(v *apiv1.Vitals, _ time.Time) (float64, bool) {
			return float64(v.GetDiskFreeBytes()), v != nil && v.DiskFreeBytes != nil
		},
	},
	{
		describe("uptime_seconds", "How long the beacon's agent has run."),
		func(v *apiv1.Vitals, _ time.Time) (float64, bool) { return float64(v.GetUptimeSeconds()), v != nil },
	},
}
