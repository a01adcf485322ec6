package outbox

import (
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Commit writes all that c holds, durably, or nothing. It sets boot and seq of
// the records.
func (o *Outbox) Commit(c core.Commit) error {
	w := &writer{o: o, lastSeq: o.lastSeq, records: o.records, bytes: o.bytes}
	if err := o.transact(func(tx *sql.Tx) error { w.tx = tx; return w.write(c) }); err != nil {
		return err
	}
	o.lastSeq, o.records, o.bytes, o.saved, o.uncertain = w.lastSeq, w.records, w.bytes, c.Saved, false
	return nil
}

// transact runs f in one transaction. A failure of the commit itself may have
// stored it all the same, and so makes the outbox uncertain.
func (o *Outbox) transact(f func(*sql.Tx) error) error {
	tx, err := o.db.Begin()
	if err != nil {
		return fmt.Errorf("outbox: %w", err)
	}
	if err := f(tx); err != nil {
		_ = tx.Rollback() // SQLite may have rolled back by itself
		return fmt.Errorf("outbox: %w", err)
	}
	if err := tx.Commit(); err != nil {
		_ = tx.Rollback()
		o.uncertain = true
		return fmt.Errorf("outbox: %w", err)
	}
	return nil
}

// writer writes one commit.
type writer struct {
	o       *Outbox
	tx      *sql.Tx
	lastSeq uint64
	records int64
	bytes   int64
}

func (w *writer) write(c core.Commit) error {
	if w.o.uncertain {
		if err := w.takeBack(); err != nil {
			return err
		}
	}
	for _, r := range c.Records {
		if err := w.append(r); err != nil {
			return err
		}
	}
	for _, intent := range c.Open {
		if err := w.open(intent); err != nil {
			return err
		}
	}
	for _, n := range c.Close {
		if _, err := w.tx.Exec("delete from intent where slot = ?", int64(n)); err != nil {
			return err
		}
	}
	if len(c.Records) > 0 {
		if err := w.thin(c.Records[len(c.Records)-1]); err != nil {
			return err
		}
	}
	return w.o.writeState(w.tx, c.Saved, w.lastSeq)
}

// takeBack removes what a commit that was reported as failed has stored, and
// counts anew what is there.
func (w *writer) takeBack() error {
	if _, err := w.tx.Exec("delete from record where boot = ? and seq > ?", w.o.run, int64(w.lastSeq)); err != nil {
		return err
	}
	w.o.saved = core.Saved{Accounted: math.MinInt64, Newer: core.Newer{Epoch: math.MaxUint64}} // so that all of it is written
	return w.tx.QueryRow("select count(*), coalesce(sum(length(bytes)), 0) from record").Scan(&w.records, &w.bytes)
}

func (w *writer) append(r *wirev1.Record) error {
	r.Boot, r.Seq = w.o.run, w.lastSeq+1
	raw, err := proto.Marshal(r)
	if err != nil {
		return fmt.Errorf("record %d can't be written down: %w", r.GetSeq(), err)
	}
	health := 0
	if r.GetHealth() != nil {
		health = 1
	}
	if _, err := w.tx.Exec("insert into record (boot, seq, health, taken, bytes) values (?, ?, ?, ?, ?)",
		r.GetBoot(), int64(r.GetSeq()), health, r.GetDeviceUnixUs(), raw); err != nil {
		return err
	}
	w.lastSeq++
	w.records++
	w.bytes += int64(len(raw))
	return nil
}

func (w *writer) open(intent core.Intent) error {
	raw, err := proto.Marshal(intent.Outcome)
	if err != nil {
		return fmt.Errorf("the intent for slot %d can't be written down: %w", intent.Slot, err)
	}
	_, err = w.tx.Exec("insert into intent (slot, outcome) values (?, ?) on conflict (slot) do update set outcome = excluded.outcome", int64(intent.Slot), raw)
	return err
}

// thin gives up health samples where there is too much, or they are too old by
// the time of the newest record.
func (w *writer) thin(newest *wirev1.Record) error {
	const hysteresis = time.Hour
	target, cutoff := int64(math.MaxInt64), int64(math.MinInt64)
	if w.bytes > w.o.maxBytes {
		target = w.o.maxBytes / 10 * 9
	}
	for {
		boot, seq, taken, ok, err := w.oldestHealth()
		if err != nil || !ok {
			return err
		}
		if age := time.Duration(newest.GetDeviceUnixUs()-taken) * time.Microsecond; age > MaxAge+hysteresis {
			cutoff = newest.GetDeviceUnixUs() - MaxAge.Microseconds()
		}
		if w.bytes <= target && taken >= cutoff {
			return nil
		}
		if err := w.thinRange(boot, seq, target, cutoff, newest); err != nil {
			return err
		}
	}
}

func (w *writer) oldestHealth() (boot string, seq, taken int64, ok bool, err error) {
	err = w.tx.QueryRow("select boot, seq, taken from record where health = 1 order by position limit 1").Scan(&boot, &seq, &taken)
	if errors.Is(err, sql.ErrNoRows) {
		return "", 0, 0, false, nil
	}
	return boot, seq, taken, err == nil, err
}

// thinRange replaces health samples with adjoining numbers, from first on, as
// many as need to go.
func (w *writer) thinRange(boot string, first, target, cutoff int64, newest *wirev1.Record) error {
	rows, err := w.tx.Query("select seq, taken, length(bytes) from record where boot = ? and seq >= ? and health = 1 order by seq", boot, first)
	if err != nil {
		return err
	}
	last, freed := first-1, int64(0)
	for rows.Next() {
		var seq, taken, size int64
		if err = rows.Scan(&seq, &taken, &size); err != nil {
			break
		}
		if seq != last+1 || w.bytes-freed <= target && taken >= cutoff {
			break
		}
		last, freed = seq, freed+size
	}
	if err := errors.Join(err, rows.Close(), rows.Err()); err != nil {
		return err
	}
	if _, err := w.tx.Exec("delete from record where boot = ? and seq between ? and ?", boot, first, last); err != nil {
		return err
	}
	w.records -= last - first + 1
	w.bytes -= freed
	return w.append(&wirev1.Record{
		RecordedDay: newest.GetRecordedDay(), DeviceUnixUs: newest.GetDeviceUnixUs(),
		Body: &wirev1.Record_Thinned{Thinned: &wirev1.Thinned{
			Boot: boot, FirstSeq: uint64(first), LastSeq: uint64(last), Count: uint64(last - first + 1),
		}},
	})
}
