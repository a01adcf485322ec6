package store_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// TestSlotsTellEachSlotOnce: what was withdrawn is not told, what was ordered
// again is told as it stands, and a report counts for the slot it is about.
func TestSlotsTellEachSlotOnce(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"), orderedSlot(l.n+1, "40m"), orderedSlot(l.n+2, "40m"), orderedSlot(l.n+3, "40m"))
	confirm(t, l.s, l.e, 1)
	l.report(l.n, 1, "sent", "")
	l.report(l.n+1, 1, "skipped", "hushed")
	saveOrders(t, l.s, l.e, 2, l.n+2, orderedSlot(l.n+2, "20m")) // another band, and one slot less
	confirm(t, l.s, l.e, 2)

	at := func(n int64) time.Time { return time.Unix((l.n+n)*120, 0) }
	told := func(beacon string, from, to int64, most int) (list []string) {
		t.Helper()
		entries, err := l.s.Slots(t.Context(), beacon, at(from), at(to), most)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			list = append(list, e.Band+" "+e.Ending)
		}
		return list
	}
	for _, c := range []struct {
		beacon   string
		from, to int64
		most     int
		want     []string
	}{
		{"", 0, 9, 10, []string{"40m sent", "40m skipped", "20m open"}},
		{"mill-hf", 1, 3, 10, []string{"40m skipped", "20m open"}},
		{"mill-hf", 0, 9, 1, []string{"40m sent"}},
		{"other", 0, 9, 10, nil},
	} {
		if diff := cmp.Diff(c.want, told(c.beacon, c.from, c.to, c.most)); diff != "" {
			t.Errorf("%+v: %s", c, diff)
		}
	}
}

// TestHealthRecordsAreSpread: at most so many samples, the last of each piece.
func TestHealthRecordsAreSpread(t *testing.T) {
	l := newLedger(t)
	from := today(t, l.s)
	for i := range int64(12) {
		storeReports(t, l.s, store.Reports{Records: []store.Record{healthRecord(t, "mill-hf", 1, i+1, from.Add(time.Duration(i)*time.Minute), &wirev1.Health{Satellites: proto.Uint32(uint32(i))})}})
	}
	bodies, err := l.s.HealthRecords(t.Context(), "mill-hf", from, from.Add(12*time.Minute), 4)
	if err != nil {
		t.Fatal(err)
	}
	var satellites []uint32
	for _, body := range bodies {
		record := &wirev1.Record{}
		if err := proto.Unmarshal(body, record); err != nil {
			t.Fatal(err)
		}
		satellites = append(satellites, record.GetHealth().GetSatellites())
	}
	if diff := cmp.Diff([]uint32{2, 5, 8, 11}, satellites); diff != "" {
		t.Error(diff)
	}
}
