package store

import (
	"context"
	"encoding/binary"
	"io"
	"time"

	"github.com/jackc/pgx/v5"
)

// copyIn runs a COPY of rows that are bytes already. Of such a one the library
// does not tell its tracer, who is needed for the deadline.
func copyIn(ctx context.Context, conn *pgx.Conn, rows io.Reader, statement string) error {
	if tracer, ok := conn.Config().Tracer.(pgx.CopyFromTracer); ok {
		ctx = tracer.TraceCopyFromStart(ctx, conn, pgx.TraceCopyFromStartData{})
		defer tracer.TraceCopyFromEnd(ctx, conn, pgx.TraceCopyFromEndData{})
	}
	_, err := conn.PgConn().CopyFrom(ctx, rows, statement)
	return err
}

// recordRows writes rows of records as COPY wants them (Postgres manual, COPY,
// "Binary Format"). It does so by hand because this is where the coordinator
// spends its time when it takes in many: the library would make ten values of
// each row first.
type recordRows struct {
	records    []Record
	fresh      []int // which of them
	receivedAt time.Time
	piece      []byte // what is to be read before the next row
	rest       []byte // of the piece
	ended      bool
}

const (
	copyHeader  = "PGCOPY\n\xff\r\n\x00" + "\x00\x00\x00\x00" + "\x00\x00\x00\x00" // no flags, nothing more
	copyTrailer = "\xff\xff"
	copyPiece   = 64 << 10
	copyRow     = 512 // bytes that most rows have room in
)

func newRecordRows(records []Record, fresh []int, receivedAt time.Time) *recordRows {
	room := min(copyPiece+copyPiece/8, len(copyHeader)+len(fresh)*copyRow)
	rows := &recordRows{records: records, fresh: fresh, receivedAt: receivedAt, piece: make([]byte, 0, room)}
	rows.rest = append(rows.piece, copyHeader...)
	return rows
}

// Read gives the next bytes of the rows.
func (r *recordRows) Read(p []byte) (int, error) {
	if len(r.rest) == 0 {
		if r.ended {
			return 0, io.EOF
		}
		r.rest = r.next()
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

// next writes as many rows as make a piece, or the end.
func (r *recordRows) next() []byte {
	out := r.piece[:0]
	for len(r.fresh) > 0 && len(out) < copyPiece {
		out = appendRecord(out, &r.records[r.fresh[0]], r.receivedAt)
		r.fresh = r.fresh[1:]
	}
	if len(r.fresh) == 0 {
		out, r.ended = append(out, copyTrailer...), true
	}
	r.piece = out
	return out
}

func appendRecord(out []byte, r *Record, receivedAt time.Time) []byte {
	const columns = 9
	out = binary.BigEndian.AppendUint16(out, columns)
	out = binary.BigEndian.AppendUint32(out, 4)
	out = binary.BigEndian.AppendUint32(out, uint32(int32((r.RecordedDay.Unix()-postgresEpoch)/secondsPerDay)))
	out = appendField(out, r.Beacon)
	out = appendField(out, r.Boot)
	out = appendNumber(out, r.Seq)
	out = appendField(out, r.Kind)
	if r.DeviceTime == nil {
		out = append(out, 0xff, 0xff, 0xff, 0xff) // null
	} else {
		out = appendNumber(out, sincePostgresEpoch(*r.DeviceTime))
	}
	out = appendNumber(out, sincePostgresEpoch(receivedAt))
	out = appendField(out, r.Body)
	return appendField(out, r.Digest)
}

func appendField[T string | []byte](out []byte, value T) []byte {
	return append(binary.BigEndian.AppendUint32(out, uint32(len(value))), value...)
}

func appendNumber(out []byte, n int64) []byte {
	return binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint32(out, 8), uint64(n))
}

// Postgres counts days and microseconds from 2000-01-01.
const (
	postgresEpoch = 946_684_800
	secondsPerDay = 24 * 60 * 60
)

func sincePostgresEpoch(t time.Time) int64 { return t.UnixMicro() - postgresEpoch*1_000_000 }
