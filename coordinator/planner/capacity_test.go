package planner_test

import (
	"errors"
	"testing"

	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// TestCapacity: five beacons that want 0.2 each fill the one transmitter of a
// site, so a sixth takes a sixth of it away from them.
func TestCapacity(t *testing.T) {
	file := &testfleet.File{Network: testfleet.Object{"name": "Full"}, Sites: []testfleet.Object{{"name": "hill", "locator": "IP62oa"}}}
	for _, name := range []string{"a", "b", "c", "d", "e"} {
		file.Beacons = append(file.Beacons, testfleet.Object{
			"name": name, "callsign": testfleet.Call(len(file.Beacons)), "site": "hill",
			"control": "automatic", "power_dbm": 23, "share": 0.2, "bands": []string{"40m"},
		})
	}
	list, err := planner.Capacity(planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []planner.Room{
		{Kind: "band", Name: "40m", Beacons: 5, Wanted: 720, Used: 720, Most: 720, Cost: 120},
		{Kind: "site", Site: "hill", Name: "hill", Beacons: 5, Wanted: 720, Used: 720, Most: 720, Cost: 120},
	}
	if len(list) != len(want) || list[0] != want[0] || list[1] != want[1] {
		t.Errorf("got  %+v\nwant %+v", list, want)
	}
}

// TestCapacityOfBands: a band has room only where and when somebody may use it:
// near sites count once, and a beacon that is paused or sleeps does not count.
func TestCapacityOfBands(t *testing.T) {
	file := &testfleet.File{
		Network: testfleet.Object{"name": "Bands", "near_km": 100},
		Sites:   []testfleet.Object{{"name": "a", "locator": "IP62oa"}, {"name": "b", "locator": "IP62pa"}, {"name": "far", "locator": "IP00aa"}},
		Pauses: []testfleet.Object{{
			"scope": testfleet.Object{"site": "far"}, "from": "2026-12-01T12:00:00Z", "to": "2026-12-02T00:00:00Z", "reason": "mast work",
		}},
	}
	for i, site := range []string{"a", "b", "far", "far"} {
		file.Beacons = append(file.Beacons, testfleet.Object{
			"name": []string{"a", "b", "c", "off"}[i], "callsign": testfleet.Call(i), "site": site, "paused": i == 3,
			"control": "automatic", "power_dbm": 23, "share": 0.1, "bands": []string{"40m"},
		})
	}
	list, err := planner.Capacity(planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := planner.Room{Kind: "band", Name: "40m", Beacons: 3, Wanted: 72 + 72 + 36, Used: 180, Most: 720 + 360}
	if list[0] != want {
		t.Errorf("got  %+v\nwant %+v", list[0], want)
	}
}

// TestStop: planning ends whenever progress says so, and wrong input gets a sentence.
func TestStop(t *testing.T) {
	in := planner.Input{Fleet: read(t, testfleet.Club().Oversubscribe(3)), From: from, To: from.Add(day)}
	calls, before, whole := 0, 0, 0
	_, err := planner.Make(in, func(done, total int) bool {
		if done < before || done > total || whole > 0 && total != whole {
			t.Fatalf("progress goes from %d of %d to %d of %d", before, whole, done, total)
		}
		calls, before, whole = calls+1, done, total
		return false
	})
	if err != nil || before != whole || whole == 0 {
		t.Errorf("progress ends at %d of %d, %v", before, whole, err)
	}
	for stopAt := 1; stopAt <= calls; stopAt += 1 + calls/20 {
		n := 0
		if _, err := planner.Make(in, func(int, int) bool { n++; return n >= stopAt }); !errors.Is(err, planner.ErrStopped) || n != stopAt {
			t.Errorf("stopped at call %d: got %v after %d calls, want ErrStopped", stopAt, err, n)
		}
	}
	in.To = from.Add(-day)
	if _, err := planner.Make(in, nil); err == nil {
		t.Error("a plan that ends before it begins is not refused")
	}
	if _, err := planner.Make(planner.Input{}, nil); err == nil {
		t.Error("no fleet is not refused")
	}
}
