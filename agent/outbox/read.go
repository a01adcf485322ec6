package outbox

import (
	"database/sql"
	"errors"
	"fmt"
	"math"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Fetch reads the oldest records behind a position: at least one if there is
// one, else no more than asked for.
func (o *Outbox) Fetch(f core.Fetch) (core.Fetched, error) {
	answer := core.Fetched{After: f.After}
	rows, err := o.db.Query("select position, boot, seq, bytes from record where position > ? order by position limit ?", f.After, f.MaxRecords+1)
	if err != nil {
		return answer, fmt.Errorf("outbox: %w", err)
	}
	size := 0
	for rows.Next() {
		var s core.Stored
		if err = rows.Scan(&s.Position, &s.Key.Boot, &s.Key.Seq, &s.Bytes); err != nil {
			break
		}
		size += len(s.Bytes)
		if n := len(answer.Records); n == f.MaxRecords || n > 0 && size > f.MaxBytes {
			answer.More = true
			break
		}
		answer.Records = append(answer.Records, s)
	}
	if err := errors.Join(err, rows.Close(), rows.Err()); err != nil {
		return core.Fetched{After: f.After}, fmt.Errorf("outbox: %w", err)
	}
	return answer, nil
}

// Delete removes the records that the coordinator has stored for good.
func (o *Outbox) Delete(ranges []*wirev1.ReceiptRange) error {
	var records, bytes int64
	err := o.transact(func(tx *sql.Tx) error {
		for _, r := range ranges {
			n, size, err := deleteRange(tx, r)
			if err != nil {
				return err
			}
			records, bytes = records+n, bytes+size
		}
		return nil
	})
	if err == nil {
		o.records, o.bytes = o.records-records, o.bytes-bytes
	}
	return err
}

func deleteRange(tx *sql.Tx, r *wirev1.ReceiptRange) (records, bytes int64, err error) {
	if r.GetFirstSeq() > math.MaxInt64 {
		return 0, 0, nil
	}
	rows, err := tx.Query("delete from record where boot = ? and seq between ? and ? returning length(bytes)",
		r.GetBoot(), int64(r.GetFirstSeq()), int64(min(r.GetLastSeq(), math.MaxInt64)))
	if err != nil {
		return 0, 0, err
	}
	for rows.Next() {
		var size int64
		if err = rows.Scan(&size); err != nil {
			break
		}
		records, bytes = records+1, bytes+size
	}
	return records, bytes, errors.Join(err, rows.Close(), rows.Err())
}
