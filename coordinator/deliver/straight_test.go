package deliver

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fleet"
)

// faulty is a broker that fails some times, and notes what it got.
type faulty struct {
	fails int
	got   []Parcel
}

func (b *faulty) Publish(_ context.Context, m broker.Message) error {
	var p Parcel
	if err := json.Unmarshal(m.Payload, &p); err != nil {
		return err
	}
	b.got = append(b.got, p)
	if len(b.got) <= b.fails {
		return errors.New("away")
	}
	return nil
}

func TestWhatGoesStraightIsTriedUntilItIsThere(t *testing.T) {
	f, err := fleet.Read("f.yaml", []byte(fleetFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ fails, attempts int }{{0, 1}, {3, 4}, {1000, 55}} {
		synctest.Test(t, func(t *testing.T) {
			b := &faulty{fails: c.fails}
			q := &Queue{options: Options{Log: slog.New(slog.DiscardHandler)}, carrier: &carrier{publisher: b}}
			m := alert.Message{Alert: &alert.Alert{Since: time.Now()}, Recipient: "wire", What: alert.Began, Subject: "no database"}
			q.Straight(t.Context(), f, m)
			if len(b.got) != c.attempts {
				t.Errorf("%d failures: %d attempts, want %d", c.fails, len(b.got), c.attempts)
			}
			for _, p := range b.got {
				if p.Message != b.got[0].Message || p.Message == 0 || p.Network != "trial" || p.Event != "began" {
					t.Errorf("got %+v", p)
				}
			}
		})
	}
}
