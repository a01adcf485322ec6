package main

import (
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// beaconsVitals is what a beacon said of itself, as --output json shows it.
type beaconsVitals struct {
	Heard              *string    `json:"heard"`
	SilentAt           *string    `json:"silent_at"`
	ClockReason        *string    `json:"clock_reason"`
	Satellites         *uint32    `json:"satellites"`
	TemperatureCelsius *float64   `json:"temperature_celsius"`
	SupplyVolts        *float64   `json:"supply_volts"`
	ForwardWatts       *float64   `json:"forward_watts"`
	ReflectedWatts     *float64   `json:"reflected_watts"`
	OutboxRecords      uint64     `json:"outbox_records"`
	DiskFreeBytes      *uint64    `json:"disk_free_bytes"`
	UptimeSeconds      uint64     `json:"uptime_seconds"`
	Version            string     `json:"version"`
	Allan              []measured `json:"allan"`
	MaxTimeInterval    []measured `json:"max_time_interval_error_seconds"`
}

// measured is a measure over one observation interval.
type measured struct {
	Seconds uint32  `json:"seconds"`
	Value   float32 `json:"value"`
}

func vitalsOf(v *apiv1.Vitals) *beaconsVitals {
	if v == nil {
		return nil
	}
	return &beaconsVitals{
		Heard: timePointer(v.GetHeard()), SilentAt: timePointer(v.GetSilentAt()), ClockReason: v.ClockReason, Satellites: v.Satellites,
		TemperatureCelsius: v.TemperatureCelsius, SupplyVolts: v.SupplyVolts, ForwardWatts: v.ForwardWatts, ReflectedWatts: v.ReflectedWatts,
		OutboxRecords: v.GetOutboxRecords(), DiskFreeBytes: v.DiskFreeBytes, UptimeSeconds: v.GetUptimeSeconds(), Version: v.GetVersion(),
		Allan: measuresOf(v.GetAllan()), MaxTimeInterval: measuresOf(v.GetMaxTimeIntervalError()),
	}
}

func measuresOf(list []*apiv1.Measure) []measured {
	shown := make([]measured, 0, len(list))
	for _, m := range list {
		shown = append(shown, measured{m.GetSeconds(), m.GetValue()})
	}
	return shown
}
