package holdover

import (
	"math"
	"testing"
	"time"
)

func TestFrequencyUncertainty(t *testing.T) {
	began := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	value := func(v float64) *float64 { return &v }
	crystal := Frequency{Kind: Calibrated, PPB: 100, At: began, AgeingPPBPerDay: value(2), PPBPerKelvin: value(-30), Celsius: value(20)}
	counted := Frequency{Kind: Measured, PPB: 8, At: began}
	steered := crystal
	steered.Kind, steered.PPB = DisciplinedByPulse, 1
	for _, test := range []struct {
		name      string
		frequency Frequency
		age       time.Duration
		celsius   *float64
		ppb       float64
		verdict   Verdict
	}{
		{"nothing is known", Frequency{PPB: 5, At: began}, 0, value(20), 0, NoReference},
		{"no number", Frequency{Kind: Calibrated, PPB: math.NaN(), At: began}, 0, value(20), 0, NoReference},
		{"no date", Frequency{Kind: Calibrated, PPB: 5}, 0, value(20), 0, NoMeasurement},
		{"a date to come", crystal, -time.Second, value(20), 0, FutureMeasured},
		{"calibrated now", crystal, 0, value(20), 100, Known},
		{"it ages and is warmer", crystal, 10 * day, value(25), 100 + 20 + 150, Known},
		{"it ages and is colder", crystal, 10 * day, value(19), 100 + 20 + 30, Known},
		{"calibrated, and no thermometer", crystal, day, nil, 0, NoTemperature},
		{"counted just now", counted, 2 * time.Minute, nil, 8, Known},
		{"counted a while ago, ageing not stated", counted, 3 * time.Minute, value(20), 0, NoAgeing},
		{"steered", steered, time.Second, nil, 1, Known},
		{"no longer steered for 5 days", steered, 5 * day, value(22), 1 + 10 + 60, Known},
	} {
		ppb, verdict := test.frequency.Uncertainty(began.Add(test.age), test.celsius)
		if math.Abs(ppb-test.ppb) > 1e-9 || verdict != test.verdict {
			t.Errorf("%s: %g ppb, %s; want %g, %s", test.name, ppb, verdict, test.ppb, test.verdict)
		}
	}
}

// 1 ppm of 28.1261 MHz is 28.1261 Hz: arithmetic.
func TestFrequencyErrorOfATone(t *testing.T) {
	ppb, _ := Frequency{Kind: Measured, PPB: 1000, At: time.Unix(0, 0)}.Uncertainty(time.Unix(1, 0), nil)
	if hz := 28.1261e6 * ppb * 1e-9; math.Abs(hz-28.1261) > 1e-9 {
		t.Errorf("%g Hz, want 28.1261 Hz", hz)
	}
}
