package intake

import (
	"math"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// mostMeasures is how many measures of each kind a beacon may tell.
const mostMeasures = 32

// checkMeasured looks at what a beacon says that it measured.
func checkMeasured(beacon string, said *wirev1.Health) *Refusal {
	for name, value := range map[string]*float64{
		"temperature_celsius": said.TemperatureCelsius, "supply_volts": said.SupplyVolts,
		"forward_watts": said.ForwardWatts, "reflected_watts": said.ReflectedWatts,
	} {
		if value != nil && (math.IsNaN(*value) || math.IsInf(*value, 0)) {
			return refuse(BadValue, "health of %s: %s is no number", beacon, name)
		}
	}
	if !isName(said.GetClockReason(), "_") {
		return refuse(BadValue, "health of %s: clock_reason %.40q is no name", beacon, said.GetClockReason())
	}
	for _, list := range [][]*wirev1.Measure{said.GetSteadiness().GetAllan(), said.GetSteadiness().GetMaxTimeIntervalError()} {
		if len(list) > mostMeasures {
			return refuse(BadValue, "health of %s: steadiness has %d measures, and at most %d are read", beacon, len(list), mostMeasures)
		}
		for _, m := range list {
			if v := float64(m.GetValue()); math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				return refuse(BadValue, "health of %s: a measure of steadiness is below zero or no number", beacon)
			}
		}
	}
	return nil
}
