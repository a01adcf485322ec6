package outbox

import (
	"bytes"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// The keys of the table state.
const (
	keyRun       = "run"
	keyLastSeq   = "last_seq"
	keyOrders    = "orders"
	keyHush      = "hush"
	keyAccounted = "accounted"
	keyDay       = "tally_day"
	keySent      = "tally_sent"
	keySkipped   = "tally_skipped"
	keyNewer     = "newer_orders"
)

// restore reads what earlier runs left.
func (o *Outbox) restore() (core.Restored, error) {
	state, err := o.readState()
	if err != nil {
		return core.Restored{}, err
	}
	r := core.Restored{
		PreviousBoot: string(state[keyRun]), PreviousLastSeq: uint64(integer(state[keyLastSeq])),
		Saved: core.Saved{
			Orders: state[keyOrders], Hush: state[keyHush],
			Accounted: slot.Number(integer(state[keyAccounted])),
			Tally: core.Tally{
				Day:  int32(integer(state[keyDay])),
				Sent: uint32(integer(state[keySent])), Skipped: uint32(integer(state[keySkipped])),
			},
			Newer: newer(state[keyNewer]),
		},
	}
	if r.Intents, err = o.readIntents(); err != nil {
		return core.Restored{}, err
	}
	if err := o.db.QueryRow("select count(*), coalesce(sum(length(bytes)), 0) from record").Scan(&o.records, &o.bytes); err != nil {
		return core.Restored{}, err
	}
	o.saved, r.Records = r.Saved, uint64(o.records)
	return r, nil
}

func (o *Outbox) readState() (map[string][]byte, error) {
	rows, err := o.db.Query("select key, value from state")
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }() // nothing is lost by a failure to close what was read
	state := map[string][]byte{}
	for rows.Next() {
		var key string
		var value []byte
		if err := rows.Scan(&key, &value); err != nil {
			return nil, err
		}
		state[key] = value
	}
	return state, rows.Err()
}

func (o *Outbox) readIntents() ([]core.Intent, error) {
	rows, err := o.db.Query("select slot, outcome from intent order by slot")
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var intents []core.Intent
	for rows.Next() {
		intent := core.Intent{Outcome: &wirev1.Outcome{}}
		var raw []byte
		if err := rows.Scan(&intent.Slot, &raw); err != nil {
			return nil, err
		}
		if err := proto.Unmarshal(raw, intent.Outcome); err != nil {
			return nil, fmt.Errorf("%w: the intent for slot %d: %w", errDamaged, intent.Slot, err)
		}
		intents = append(intents, intent)
	}
	return intents, rows.Err()
}

// writeState writes what differs from what is on the disk.
func (o *Outbox) writeState(tx *sql.Tx, s core.Saved, lastSeq uint64) error {
	old := o.saved
	return errors.Join(
		set(tx, keyRun, []byte(o.run)),
		set(tx, keyLastSeq, encoded(int64(lastSeq))),
		setIf(!bytes.Equal(old.Orders, s.Orders), tx, keyOrders, s.Orders),
		setIf(!bytes.Equal(old.Hush, s.Hush), tx, keyHush, s.Hush),
		setIf(old.Accounted != s.Accounted, tx, keyAccounted, encoded(int64(s.Accounted))),
		setIf(old.Tally != s.Tally, tx, keyDay, encoded(int64(s.Tally.Day))),
		setIf(old.Tally != s.Tally, tx, keySent, encoded(int64(s.Tally.Sent))),
		setIf(old.Tally != s.Tally, tx, keySkipped, encoded(int64(s.Tally.Skipped))),
		setIf(old.Newer != s.Newer, tx, keyNewer, encodedNewer(s.Newer)),
	)
}

func setIf(differs bool, tx *sql.Tx, key string, value []byte) error {
	if !differs {
		return nil
	}
	return set(tx, key, value)
}

func set(tx *sql.Tx, key string, value []byte) error {
	if value == nil {
		value = []byte{}
	}
	_, err := tx.Exec("insert into state (key, value) values (?, ?) on conflict (key) do update set value = excluded.value", key, value)
	return err
}

func encoded(n int64) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) }

// integer reads what encoded wrote; what was never written is 0.
func integer(value []byte) int64 {
	if len(value) != 8 {
		return 0
	}
	return int64(binary.BigEndian.Uint64(value))
}

func encodedNewer(n core.Newer) []byte {
	value := binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint64(nil, n.Epoch), n.Revision)
	return binary.BigEndian.AppendUint32(value, n.Reader)
}

// newer reads what encodedNewer wrote; what was never written is none.
func newer(value []byte) core.Newer {
	if len(value) != 20 {
		return core.Newer{}
	}
	return core.Newer{
		Epoch: binary.BigEndian.Uint64(value), Revision: binary.BigEndian.Uint64(value[8:]), Reader: binary.BigEndian.Uint32(value[16:]),
	}
}
