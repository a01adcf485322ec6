// Package sensor reads what is measured at the beacon: its supply, and the
// power towards the antenna and back. A sensor is a file with one number; what
// can't be read, or makes no sense, is absent and never zero.
//
// The files are read on a goroutine of their own: a converter on a slow bus
// must not hold up the agent, which sends the keyer a heartbeat.
package sensor

import (
	"context"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"lamplighter/agent/core"
	"lamplighter/proto/setup"
)

// every is the time between readings.
const every = 5 * time.Second

// Watch reads the sensors at once and then again and again until ctx ends; then
// the channel is closed. What was not fetched is replaced. Without a sensor the
// channel is nil.
func Watch(ctx context.Context, s setup.Sensors) <-chan core.Sensors {
	if s == (setup.Sensors{}) {
		return nil
	}
	measured := make(chan core.Sensors, 1)
	go func() {
		defer close(measured)
		ticker := time.NewTicker(every)
		defer ticker.Stop()
		for {
			now := Read(s)
			select {
			case <-measured:
			default:
			}
			measured <- now
			select {
			case <-ctx.Done():
				return
			case <-ticker.C:
			}
		}
	}()
	return measured
}

// Read reads every sensor once.
func Read(s setup.Sensors) core.Sensors {
	return core.Sensors{
		SupplyVolts:    read(s.SupplyVolts),
		ForwardWatts:   notBelowZero(read(s.ForwardWatts)),
		ReflectedWatts: notBelowZero(read(s.ReflectedWatts)),
	}
}

// read gives what a sensor measures; nil: there is none, or it can't be read.
func read(s *setup.Sensor) *float64 {
	const most = 64 // bytes
	if s == nil {
		return nil
	}
	file, err := os.Open(s.File)
	if err != nil {
		return nil
	}
	defer func() { _ = file.Close() }() // nothing was written
	text, err := io.ReadAll(io.LimitReader(file, most))
	if err != nil {
		return nil
	}
	number, err := strconv.ParseFloat(strings.TrimSpace(string(text)), 64)
	if err != nil {
		return nil
	}
	v := s.Value(number)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// notBelowZero: there is no power below zero, only a sensor that is set wrongly.
func notBelowZero(watts *float64) *float64 {
	if watts == nil || *watts < 0 {
		return nil
	}
	return watts
}
