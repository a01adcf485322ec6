//go:build long

package fleetload

import (
	"context"
	"flag"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

var soak = flag.Duration("soak", time.Hour, "how long the soak lasts")

// How often things happen in the soak.
const (
	sampleEvery = 5 * time.Second
	lookEvery   = 15 * time.Second
	bringEvery  = 30 * time.Second
	hushEvery   = 5 * time.Minute
	changeEvery = 10 * time.Minute
)

// A coordinator with 100 agents, a viewer of the live console and others of its
// pages, reception reports, hushes and changes of the fleet: memory, goroutines
// and descriptors are flat. The first quarter is for warming up; the last is
// compared with the second.
func TestSoak(t *testing.T) {
	c := newCoordinator(t, 100, false)
	crowd := Gather(Options{
		Network: c.network, Beacons: c.beacons, Broker: c.mqtt, Keys: c.keyring(), HealthEvery: 10 * time.Second, Records: true, Within: time.Second,
	})
	t.Cleanup(crowd.Leave)
	ctx, end := context.WithTimeout(t.Context(), *soak)
	defer end()
	s := &soaked{c: c, crowd: crowd}
	go s.view(ctx)
	began := time.Now()
	sample, look, bring, hush, change := time.NewTicker(sampleEvery), time.NewTicker(lookEvery), time.NewTicker(bringEvery), time.NewTicker(hushEvery), time.NewTicker(changeEvery)
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-sample.C:
			s.samples = append(s.samples, s.sample(t))
		case <-look.C:
			s.look(t)
		case <-bring.C:
			s.bring(t)
		case <-hush.C:
			s.hush(t)
		case <-change.C:
			c.change()
			s.changes++
		}
	}
	c.eventually("all agents are there at the end", func() bool { return crowd.Connected() == len(c.beacons) && crowd.Waiting() < len(c.beacons) })
	faults, refusals := crowd.Faults()
	if len(faults)+len(refusals) > 0 {
		t.Errorf("what came down and should not have: %v; leases that were refused: %v", faults, refusals)
	}
	t.Logf("%s with %d agents: %d records, %d leases, %d hushes, %d changes of the fleet, %d pages, %d files of receptions, %d bytes to the viewer in %d streams; load %s",
		time.Since(began).Round(time.Second), len(c.beacons), crowd.Made(), crowd.grants.Load(), s.hushes, s.changes, s.pages, s.files, s.viewed.Load(), s.streams.Load(), load(t))
	s.judge(t)
}

// soaked is what a soak has done and seen.
type soaked struct {
	c                             *coordinator
	crowd                         *Crowd
	samples                       []held
	hushes, changes, pages, files int
	viewed, streams               atomic.Int64
}

// held is what the coordinator holds at a moment.
type held struct {
	live, resident, goroutines, descriptors float64
}

// sample reads /metrics: half of the size at which the next collection is due is
// what was live at the last one.
func (s *soaked) sample(t *testing.T) held {
	t.Helper()
	text := s.get(t, "/metrics")
	metric := func(name string) float64 {
		for line := range strings.Lines(text) {
			if value, found := strings.CutPrefix(line, name+" "); found {
				number, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
				if err != nil {
					t.Fatal(err)
				}
				return number
			}
		}
		t.Fatalf("/metrics has no %s", name)
		return 0
	}
	h := held{
		live: metric("go_memstats_next_gc_bytes") / 2, resident: metric("process_resident_memory_bytes"),
		goroutines: metric("go_goroutines"), descriptors: metric("process_open_fds"),
	}
	return h
}

func (s *soaked) get(t *testing.T, path string) string {
	t.Helper()
	q, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+s.c.http+path, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close() //nolint:errcheck // it was read
	text, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v\n%.300s", path, answer.Status, err, text)
	}
	return string(text)
}

// view is a viewer of the live console, who comes back when cut off.
func (s *soaked) view(ctx context.Context) {
	for ctx.Err() == nil {
		q, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+s.c.http+"/live", http.NoBody)
		if err != nil {
			return
		}
		answer, err := http.DefaultClient.Do(q)
		if err == nil {
			s.streams.Add(1)
			n, _ := io.Copy(counting{&s.viewed}, answer.Body) // until it is cut off
			_, _ = n, answer.Body.Close()
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

type counting struct{ to *atomic.Int64 }

func (c counting) Write(b []byte) (int, error) {
	c.to.Add(int64(len(b)))
	return len(b), nil
}

func (s *soaked) look(t *testing.T) {
	t.Helper()
	for _, page := range []string{"/", "/timeline", "/plan", "/alerts", "/report", "/heard", "/where", "/beacon/" + s.c.beacons[s.pages%len(s.c.beacons)]} {
		s.get(t, page)
		s.pages++
	}
}

// bring brings reception reports, as programs of others do.
func (s *soaked) bring(t *testing.T) {
	t.Helper()
	var file strings.Builder
	file.WriteString("time,callsign,frequency_hz,snr_db,drift_hz,receiver,receiver_locator\n")
	at := time.Now().UTC().Add(-10 * time.Minute).Truncate(2 * time.Minute)
	for i := range 20 {
		fmt.Fprintf(&file, "%s,%s,%d,-21,0,Q9XYZ,FN42AX\n", at.Format(time.RFC3339), s.c.fleet.Beacons[(s.files*20+i)%len(s.c.beacons)]["callsign"], 7040100+i)
	}
	if _, err := apiv1.NewHeardServiceClient(s.c.conn).AddReceptions(t.Context(), &apiv1.AddReceptionsRequest{File: []byte(file.String()), Form: "csv"}); err != nil {
		t.Fatal(err)
	}
	s.files++
}

func (s *soaked) hush(t *testing.T) {
	t.Helper()
	m := measurement{t, s.c, s.crowd, plan{agents: len(s.c.beacons)}}
	m.hush()
	s.hushes++
}

// judge compares the last quarter with the second.
func (s *soaked) judge(t *testing.T) {
	t.Helper()
	n := len(s.samples)
	if n < 40 {
		t.Fatalf("%d samples are too few", n)
	}
	for _, what := range []struct {
		name        string
		of          func(held) float64
		most, slack float64 // growth: a share of what it was, and what is no growth yet
		unit        float64
	}{
		{"live heap, MiB", func(h held) float64 { return h.live }, 0.10, 4 << 20, 1 << 20},
		{"resident, MiB", func(h held) float64 { return h.resident }, 0.10, 16 << 20, 1 << 20},
		{"goroutines", func(h held) float64 { return h.goroutines }, 0.02, 5, 1},
		{"descriptors", func(h held) float64 { return h.descriptors }, 0.02, 5, 1},
	} {
		quarter := func(i int) float64 {
			var list []float64
			for _, h := range s.samples[n*i/4 : n*(i+1)/4] {
				list = append(list, what.of(h))
			}
			slices.Sort(list)
			return list[len(list)/2]
		}
		was, is := quarter(1), quarter(3)
		t.Logf("%s: median of the quarters %.1f, %.1f, %.1f, %.1f", what.name, quarter(0)/what.unit, was/what.unit, quarter(2)/what.unit, is/what.unit)
		if is > was*(1+what.most)+what.slack {
			t.Errorf("%s: %.1f in the second quarter, %.1f in the last", what.name, was/what.unit, is/what.unit)
		}
	}
}
