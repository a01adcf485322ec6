package store_test

import (
	"testing"
	"time"

	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

const beacon = "hilltop-hf"

func ptr[T any](v T) *T { return &v }

func health(run int, liveSeq int64) store.Health {
	return store.Health{Beacon: beacon, Run: boot(run), LiveSeq: liveSeq, Message: []byte{1}, Lock: ptr("locked"), Version: "1"}
}

func presence(run int, connection int64, online bool) store.Presence {
	return store.Presence{Beacon: beacon, Run: boot(run), Connection: connection, Online: online}
}

// speak stores live messages one by one and returns the verdicts.
func speak(t *testing.T, s *store.Store, messages ...any) (verdicts []store.StatusVerdict) {
	t.Helper()
	for _, message := range messages {
		switch m := message.(type) {
		case store.Health:
			verdicts = append(verdicts, storeReports(t, s, store.Reports{Health: []store.Health{m}}).Health...)
		case store.Presence:
			verdicts = append(verdicts, storeReports(t, s, store.Reports{Presence: []store.Presence{m}}).Presence...)
		case store.Record:
			storeReports(t, s, store.Reports{Records: []store.Record{m}})
			verdicts = append(verdicts, store.StatusTaken)
		}
	}
	return verdicts
}

func status(t *testing.T, s *store.Store) store.BeaconStatus {
	t.Helper()
	all, err := s.BeaconStatuses(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatalf("%d beacons, %v", len(all), err)
	}
	return all[0]
}

func retained(p store.Presence) store.Presence {
	p.Retained = true
	return p
}

// successor is the record by which run 2 names run 1 as the one before.
func successor() store.Record {
	r := record(beacon, 2, 1, "started")
	r.RunStarted = &store.RunStarted{PreviousBoot: boot(1)}
	return r
}

func TestOnlyNewsChangesTheStatus(t *testing.T) {
	const taken = store.StatusTaken
	address := storetest.URL(t)
	s, conn := storetest.Open(t, address, store.Options{}), connect(t, address)
	for name, c := range map[string]struct {
		messages []any
		last     store.StatusVerdict
	}{
		"the first health":                       {[]any{health(1, 1)}, taken},
		"the next":                               {[]any{health(1, 1), health(1, 2)}, taken},
		"the same again":                         {[]any{health(1, 2), health(1, 2)}, store.StatusOldMessage},
		"one that was overtaken":                 {[]any{health(1, 2), health(1, 1)}, store.StatusOldMessage},
		"a new run":                              {[]any{health(1, 9), health(2, 1)}, taken},
		"the old run after it":                   {[]any{health(1, 9), health(2, 1), health(1, 10)}, store.StatusOldRun},
		"a run whose successor is known":         {[]any{successor(), health(2, 1), health(1, 10)}, store.StatusOldRun},
		"online":                                 {[]any{presence(1, 1, true)}, taken},
		"online again":                           {[]any{presence(1, 1, true), presence(1, 1, true)}, store.StatusOldMessage},
		"offline":                                {[]any{presence(1, 1, true), presence(1, 1, false)}, taken},
		"online after its own end":               {[]any{presence(1, 1, true), presence(1, 1, false), presence(1, 1, true)}, store.StatusOldConnection},
		"the next connection":                    {[]any{presence(1, 1, true), presence(1, 1, false), presence(1, 2, true)}, taken},
		"the end of the connection before":       {[]any{presence(1, 1, true), presence(1, 2, true), presence(1, 1, false)}, store.StatusOldConnection},
		"retained, of the connection before":     {[]any{presence(1, 2, true), retained(presence(1, 1, true))}, store.StatusOldConnection},
		"retained, of the run before":            {[]any{presence(1, 1, true), presence(2, 1, true), retained(presence(1, 2, true))}, store.StatusOldRun},
		"the end of a run never heard":           {[]any{presence(2, 1, true), presence(1, 1, false)}, store.StatusOtherRun},
		"the end, when nothing else is known":    {[]any{retained(presence(1, 1, false))}, taken},
		"presence after health of the same run":  {[]any{health(1, 5), presence(1, 0, true)}, taken},
		"health after presence of the same run":  {[]any{presence(1, 1, true), health(1, 0)}, taken},
		"health after the end of its connection": {[]any{presence(1, 1, false), health(1, 1)}, taken},
	} {
		t.Run(name, func(t *testing.T) {
			execute(t, conn, "delete from records; delete from boots; delete from beacon_status")
			verdicts := speak(t, s, c.messages...)
			for i, verdict := range verdicts[:len(verdicts)-1] {
				if verdict != taken {
					t.Errorf("message %d: %s", i, verdict)
				}
			}
			if got := verdicts[len(verdicts)-1]; got != c.last {
				t.Errorf("got %s, want %s", got, c.last)
			}
		})
	}
}

func TestTheStatusSaysWhatHealthSaid(t *testing.T) {
	s := storetest.New(t)
	h := health(1, 1)
	h.ClockErrorBoundNs, h.FrequencyUncertaintyPpb, h.OnAir = ptr(int64(250)), ptr(1.5), true
	h.Band, h.Slot, h.OrdersEpoch, h.OrdersRevision = ptr("40m"), ptr(int64(14780880)), ptr(int64(1772000000)), ptr(int64(7))
	h.HushEpoch, h.HushNumber, h.HushSilent, h.LeaseUntil = ptr(int64(1772000000)), ptr(int64(2)), true, ptr(day)
	h.SentToday, h.SkippedToday = 3, 4
	speak(t, s, h, presence(1, 4, true))
	got := status(t, s)
	switch {
	case *got.OrdersEpoch != 1772000000 || *got.OrdersRevision != 7:
		t.Errorf("confirmed orders %d.%d", *got.OrdersEpoch, *got.OrdersRevision)
	case *got.HushEpoch != 1772000000 || *got.HushNumber != 2 || !*got.HushSilent:
		t.Error("hush")
	case *got.Lock != "locked" || *got.ClockErrorBoundNs != 250 || *got.FrequencyUncertaintyPpb != 1.5:
		t.Error("clock")
	case !*got.OnAir || *got.Band != "40m" || *got.Slot != 14780880 || got.MuteReason != nil:
		t.Error("on air")
	case !got.LeaseUntil.Equal(day) || *got.SentToday != 3 || *got.SkippedToday != 4:
		t.Error("lease and counts")
	case *got.Connection != 4 || !*got.Online || *got.Run != boot(1) || *got.Version != "":
		t.Error("presence")
	}
	speak(t, s, presence(2, 1, true))
	got = status(t, s)
	if got.OnAir != nil || got.OrdersRevision != nil || got.LiveSeq != nil || got.Health != nil {
		t.Error("a new run inherits what the old one said")
	}
}

func TestLastSeenIsWhenTheDeviceItselfWasHeard(t *testing.T) {
	for name, c := range map[string]struct {
		message any
		seen    bool
	}{
		"health":            {health(1, 1), true},
		"a record":          {record(beacon, 1, 1, "x"), true}, // whatever day it carries
		"online":            {presence(1, 1, true), true},
		"offline":           {presence(1, 1, false), false}, // the broker says it
		"a retained online": {retained(presence(1, 1, true)), false},
	} {
		t.Run(name, func(t *testing.T) {
			s := storetest.New(t)
			before, err := s.Now(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			speak(t, s, c.message)
			seen := status(t, s).LastSeen
			if (seen != nil) != c.seen || seen != nil && (seen.Before(before) || seen.Sub(before) > time.Minute) {
				t.Errorf("last seen %v, after %v", seen, before)
			}
		})
	}
}

// A beacon that says much is noted as heard once in a while, not with each of its
// groups of records: leases count the while in (LeasesOf).
func TestWhoSaysMuchIsNotedAsHeardOnceInAWhile(t *testing.T) {
	for name, c := range map[string]struct {
		last  string // when it was heard before, from now
		noted bool
	}{
		"not in the last second": {"-1 s", true},
		"a moment ago":           {"1 hour", false}, // however slow this machine is
	} {
		t.Run(name, func(t *testing.T) {
			address := storetest.URL(t)
			s, conn := storetest.Open(t, address, store.Options{}), connect(t, address)
			speak(t, s, record(beacon, 1, 1, "x"))
			execute(t, conn, "update beacon_status set last_seen = now() + $1::interval", c.last)
			version := func() (xmin string) {
				if err := conn.QueryRow(t.Context(), "select xmin::text from beacon_status").Scan(&xmin); err != nil {
					t.Fatal(err)
				}
				return xmin
			}
			before := version()
			speak(t, s, record(beacon, 1, 2, "x"))
			if noted := version() != before; noted != c.noted {
				t.Errorf("its row was written: %v", noted)
			}
		})
	}
}
