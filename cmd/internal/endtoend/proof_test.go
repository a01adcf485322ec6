package endtoend

import (
	"bytes"
	"fmt"
	"math"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/jackc/pgx/v5"

	"lamplighter/proto/topic"
)

// watchLeases keeps every lease that is granted from now on: the program keeps
// only the latest.
func (w *wide) watchLeases() {
	w.t.Helper()
	_, err := w.rows.Exec(w.t.Context(), `
		create table if not exists witnessed_leases (beacon text, granted_at timestamptz, expires_at timestamptz);
		create or replace function witness_lease() returns trigger language plpgsql as $$
			begin
				insert into witnessed_leases values (new.beacon, new.granted_at, new.expires_at);
				return null;
			end $$;
		create or replace trigger witness after insert or update on leases for each row
			when (new.granted_at is not null) execute function witness_lease()`)
	if err != nil {
		w.t.Fatal(err)
	}
}

// prove holds what the transmitters did, by their own logs, against the tables:
// every record is there once, and nothing was on the air that was not planned,
// ordered, under a lease and in time. Call it when all is well again.
func (w *wide) prove() {
	w.t.Helper()
	w.checkKept()
	w.stopAgents()
	w.checkAccount()
	for _, beacon := range beacons {
		for _, e := range w.emissions(beacon) {
			if err := w.checkPlanned(beacon, e); err != nil {
				w.t.Errorf("%s keyed at %s: %v", beacon, e.keyed.Format(time.RFC3339Nano), err)
			}
		}
		w.checkSent(beacon)
	}
	w.checkApart("hilltop-a", "hilltop-b") // which share a mast
	if n := w.count("select count(*) from ledger where contradicted and ending <> 'skipped'"); n > 0 {
		w.t.Errorf("%d slots were given back, and used all the same", n)
	}
}

// checkKept wants the broker to keep the latest orders and hushes of each beacon,
// for a device that comes new: whoever led before may have spoken last.
func (w *wide) checkKept() {
	w.t.Helper()
	var mu sync.Mutex
	kept := map[string][]byte{}
	listener := paho.NewClient(paho.NewClientOptions().AddBroker(w.mosquitto.URL()).SetClientID("listener"))
	if token := listener.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		w.t.Fatalf("no connection to the broker: %v", token.Error())
	}
	defer listener.Disconnect(100)
	filters := map[string]byte{topic.Every("trial", topic.Orders): 1, topic.Every("trial", topic.Hush): 1}
	token := listener.SubscribeMultiple(filters, func(_ paho.Client, m paho.Message) {
		mu.Lock()
		defer mu.Unlock()
		kept[m.Topic()] = m.Payload()
	})
	if !token.WaitTimeout(patience) || token.Error() != nil {
		w.t.Fatalf("no subscription: %v", token.Error())
	}
	for kind, query := range map[topic.Kind]string{
		topic.Orders: "select beacon, payload from orders o where payload is not null and (epoch, revision) = (select epoch, revision from orders l where l.beacon = o.beacon order by 1 desc, 2 desc limit 1)",
		topic.Hush:   "select beacon, payload from hush_states",
	} {
		eventually(w.t, "the broker keeps the latest "+string(kind), func() bool {
			rows, err := w.rows.Query(w.t.Context(), query)
			if err != nil {
				w.t.Fatal(err)
			}
			var beacon string
			var payload []byte
			latest := true
			_, err = pgx.ForEachRow(rows, []any{&beacon, &payload}, func() error {
				mu.Lock()
				defer mu.Unlock()
				latest = latest && bytes.Contains(kept[topic.Address{Network: "trial", Beacon: beacon}.Topic(kind)], payload)
				return nil
			})
			if err != nil {
				w.t.Fatal(err)
			}
			return latest
		})
	}
}

// checkPlanned wants an order for a key-down, written before it, and a lease that
// lasted until its end.
func (w *wide) checkPlanned(beacon string, e emission) error {
	slot := e.slot(slotSeconds)
	begin := time.Unix(slot*slotSeconds, 0).Add(slotSeconds * time.Second / 120) // 1 s of 120
	if e.keyed.Before(begin) || e.keyed.After(begin.Add(200*time.Millisecond)) {
		return fmt.Errorf("%s after the nominal instant", e.keyed.Sub(begin))
	}
	if length := e.end().Sub(e.keyed); length > airtime+lateness {
		return fmt.Errorf("on the air for %s", length)
	}
	if n := w.count(`select count(*) from order_slots s join orders o on (o.beacon, o.epoch, o.revision) = (s.beacon, s.opened_epoch, s.opened_revision)
		where s.beacon = $1 and s.slot = $2 and o.issued_at < $3 and abs(s.frequency_millihertz - $4) < 10000`,
		beacon, slot, e.keyed, int64(math.Round(e.tones[0]*1000))); n == 0 {
		return fmt.Errorf("nobody had ordered slot %d at %.1f Hz", slot, e.tones[0])
	}
	if n := w.count("select count(*) from witnessed_leases where beacon = $1 and granted_at < $2 and expires_at >= $3", beacon, e.keyed, e.end()); n == 0 {
		return fmt.Errorf("no lease lasted until its end at %s", e.end())
	}
	return nil
}

// airtime is how long a transmission takes: 110.592 s of 120. lateness is how much
// later a keyer may let go, 112 s after the key-down in a slot of two minutes. It
// is the machine's lateness, which does not shrink with the slots.
const (
	airtime  = 110592 * slotSeconds * time.Millisecond / 120
	lateness = 112*time.Second - 110592*time.Millisecond
)

// end is when an emission ended; that of a keyer that was killed,
// by how many of its 162 tones it began.
func (e emission) end() time.Time {
	if !e.unkeyed.IsZero() {
		return e.unkeyed
	}
	return e.keyed.Add(airtime * time.Duration(len(e.tones)) / 162)
}

// checkSent wants a whole transmission, of the right tones, in the log of the
// transmitter for each one that the tables call sent.
func (w *wide) checkSent(beacon string) {
	w.t.Helper()
	logged := map[int64]emission{}
	for _, e := range w.emissions(beacon) {
		if other, twice := logged[e.slot(slotSeconds)]; twice && !other.unkeyed.IsZero() {
			w.t.Errorf("%s was keyed twice in slot %d", beacon, e.slot(slotSeconds))
		}
		logged[e.slot(slotSeconds)] = e
	}
	for slot, s := range w.sent(beacon) {
		e, known := logged[slot]
		if !known || e.unkeyed.IsZero() {
			w.t.Errorf("%s, slot %d: the tables say sent, and the transmitter was not keyed to the end", beacon, slot)
			continue
		}
		if err := s.check(e); err != nil {
			w.t.Errorf("%s, slot %d: %v", beacon, slot, err)
		}
	}
}

// checkApart wants two beacons never on the air at the same time.
func (w *wide) checkApart(one, other string) {
	w.t.Helper()
	for _, a := range w.emissions(one) {
		for _, b := range w.emissions(other) {
			if a.keyed.Before(b.end()) && b.keyed.Before(a.end()) {
				w.t.Errorf("%s at %s and %s at %s were on the air together", one, a.keyed, other, b.keyed)
			}
		}
	}
}
