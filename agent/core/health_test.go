package core_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// What is measured is told, what is not is absent, and what was measured too
// long ago is not told as if it were now.
func TestHealthTellsWhatIsMeasured(t *testing.T) {
	w := newWorld(t)
	w.start()
	w.connect()
	w.advance(31 * time.Second)
	if h := w.live(); h.SupplyVolts != nil || h.ForwardWatts != nil || h.ReflectedWatts != nil || h.TemperatureCelsius != nil || h.SilentInSeconds != nil || h.Steadiness != nil {
		t.Errorf("nothing is measured, and health says %v", h)
	}
	volts, none, celsius, left := 13.8, 0.0, 21.5, 3*time.Hour
	w.clock.Celsius, w.clock.SilentIn, w.clock.Reason = &celsius, &left, "no_fix"
	for range 31 {
		w.step(core.Sensed{Sensors: core.Sensors{SupplyVolts: &volts, ReflectedWatts: &none}})
		w.advance(time.Second)
	}
	h := w.live()
	if h.GetSupplyVolts() != 13.8 || h.ForwardWatts != nil || h.ReflectedWatts == nil || h.GetReflectedWatts() != 0 {
		t.Errorf("the sensors' word did not arrive: %v", h)
	}
	if h.GetTemperatureCelsius() != 21.5 || h.GetClockReason() != "no_fix" || h.GetSilentInSeconds() < 3*3600-1 || h.GetSilentInSeconds() > 3*3600 {
		t.Errorf("the clock's word did not arrive: %v", h)
	}
	w.advance(time.Minute) // the sensors have fallen silent
	if h := w.live(); h.SupplyVolts != nil {
		t.Errorf("%g V of a minute ago", h.GetSupplyVolts())
	}
}

// How steady the oscillator is goes into each live message, and into a record
// only when it is new.
func TestHealthKeepsEachMeasurementOnce(t *testing.T) {
	w := newWorld(t)
	w.start()
	w.connect()
	first := &wirev1.Steadiness{Allan: []*wirev1.Measure{{Seconds: 60, Value: 1e-9}}}
	second := proto.CloneOf(first)
	w.clock.Steadiness = first
	w.advance(5 * time.Minute)
	w.clock.Steadiness = second
	w.advance(5 * time.Minute)
	kept, samples := 0, 0
	for _, r := range w.disk.all {
		if h := r.GetHealth(); h != nil {
			samples++
			if h.Steadiness != nil {
				kept++
			}
		}
	}
	if kept != 2 || samples < 19 {
		t.Errorf("kept %d times in %d records", kept, samples)
	}
	if w.live().GetSteadiness().GetAllan()[0].GetSeconds() != 60 {
		t.Error("the live message does not tell it")
	}
}

// That a newer program is needed outlives the run, but not the newer program.
func TestUpdateNeededOutlivesTheRun(t *testing.T) {
	w := running(t)
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute)}))
	w.advance(time.Second)
	newer := ordersFor(2, nil)
	newer.LeastReader = core.Reader + 1
	w.order(newer)
	w.advance(time.Second)
	w.kill()
	w.start()
	w.connect()
	w.advance(2 * time.Second)
	if got := w.live().GetMuteReason(); got != string(core.UpdateNeeded) {
		t.Errorf("after a restart it is mute for %q", got)
	}
	w.kill()
	w.disk.saved.Newer.Reader = core.Reader // as if this program were the newer one
	w.start()
	w.connect()
	w.advance(2 * time.Second)
	if got := w.live().GetMuteReason(); got != "" {
		t.Errorf("the newer program is mute for %q", got)
	}
}

func TestStatus(t *testing.T) {
	w := running(t)
	if got := w.core.Status(); got != "mute: no_orders: There are no orders." {
		t.Error(got)
	}
	w.order(ordersFor(1, []int64{slotAt(4 * time.Minute), slotAt(8 * time.Minute)}))
	w.advance(time.Second)
	if got := w.core.Status(); got != "ready" {
		t.Error(got)
	}
	w.until(midnight.Add(5 * time.Minute))
	if got := w.core.Status(); got != "on the air on 40m" {
		t.Error(got)
	}
	w.clock.Known, w.clock.Reason = false, "no_fix"
	w.until(midnight.Add(7 * time.Minute))
	if got := w.core.Status(); got != "mute: clock_unsure: "+core.Reasons()[core.ClockUnsure]+" (no_fix)" {
		t.Error(got)
	}
}
