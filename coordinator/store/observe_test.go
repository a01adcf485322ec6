package store_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// What is observed again is what holds now, and what holds still is not read anew.
func TestWhatIsObservedAgainIsReadWhereItChanged(t *testing.T) {
	s := storetest.New(t)
	says := func(name string, run int, liveSeq int64, version string) {
		t.Helper()
		h := health(run, liveSeq)
		h.Beacon = name
		var err error
		if h.Message, err = proto.Marshal(&wirev1.Health{Version: version}); err != nil {
			t.Fatal(err)
		}
		storeReports(t, s, store.Reports{Health: []store.Health{h}})
	}
	observe := func(before store.Observed) store.Observed {
		t.Helper()
		o, err := s.ObserveNow(t.Context(), before)
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	says("quiet", 1, 1, "one")
	says(beacon, 1, 1, "one")
	first := observe(nil)
	says(beacon, 1, 2, "two")
	second := observe(first)
	if second["quiet"].Health != first["quiet"].Health || !second["quiet"].HealthAt.Equal(first["quiet"].HealthAt) {
		t.Error("what has not changed was read again")
	}
	if got := second[beacon]; got.Health.GetVersion() != "two" || !got.HealthAt.After(first[beacon].HealthAt) || got.LastSeen.Before(got.HealthAt) {
		t.Errorf("%+v", got)
	}
	storeReports(t, s, store.Reports{Presence: []store.Presence{presence(2, 1, true)}})
	if got := observe(second)[beacon]; got.Health != nil || !got.HealthAt.IsZero() || got.LastSeen.IsZero() {
		t.Errorf("of a run that has said nothing of itself: %+v", got)
	}
}
