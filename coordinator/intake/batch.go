package intake

import (
	"crypto/sha256"
	"errors"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// maxSeq is the highest seq, epoch, revision or number that is believed: a
// million years at a million a second, and room enough in a bigint.
const maxSeq = 1 << 62

// parseBatch reads a batch as the library does, but leaves its records where they
// are: copying them would be most of the work.
func parseBatch(payload []byte, batch *wirev1.RecordBatch) error {
	for len(payload) > 0 {
		number, kind, n := protowire.ConsumeTag(payload)
		if n < 0 {
			return protowire.ParseError(n)
		}
		if !number.IsValid() {
			return errors.New("a field has no number")
		}
		payload = payload[n:]
		if n = protowire.ConsumeFieldValue(number, kind, payload); n < 0 {
			return protowire.ParseError(n)
		}
		if kind == protowire.BytesType {
			value, _ := protowire.ConsumeBytes(payload)
			switch {
			case number == 3:
				batch.Records = append(batch.Records, value[:len(value):len(value)])
			case number > 2:
			case !utf8.Valid(value):
				return errors.New("a name is no UTF-8")
			case number == 1:
				batch.Network = string(value)
			default:
				batch.Beacon = string(value)
			}
		}
		payload = payload[n:]
	}
	return nil
}

// readBatch takes a batch apart. Records without a readable key are left out.
func readBatch(r rules, m *message, batch *wirev1.RecordBatch) *Refusal {
	if len(batch.GetRecords()) > maxRecords {
		return refuse(TooMany, "a batch of %s has %d records, and at most %d are read", m.address.Beacon, len(batch.GetRecords()), maxRecords)
	}
	total := 0
	for _, body := range batch.GetRecords() {
		total += len(body)
	}
	if total > maxRecordBytes {
		return refuse(TooLarge, "the records in a batch of %s have %d bytes, and at most %d are read", m.address.Beacon, total, maxRecordBytes)
	}
	m.reports.Records = make([]store.Record, 0, len(batch.GetRecords()))
	for i, body := range batch.GetRecords() {
		record, refusal := readRecord(r, m.address.Beacon, body)
		if refusal != nil {
			refusal.Sentence = refuse(BadRecord, "record %d of %d in a batch of %s: %s", i+1, len(batch.GetRecords()), m.address.Beacon, refusal.Sentence).Sentence
			m.bad = append(m.bad, refusal)
			continue
		}
		m.reports.Records = append(m.reports.Records, record)
	}
	return nil
}

func readRecord(r rules, beacon string, body []byte) (store.Record, *Refusal) {
	var wire wirev1.Record
	if err := (proto.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(body, &wire); err != nil {
		return store.Record{}, refuse(BadRecord, "%d bytes that are no record", len(body))
	}
	if !isRun(wire.GetBoot()) {
		return store.Record{}, refuse(BadRecord, "its boot %.40q is not 32 hexadecimal digits", wire.GetBoot())
	}
	if wire.GetSeq() < 1 || wire.GetSeq() > maxSeq {
		return store.Record{}, refuse(BadRecord, "its seq is %d, and they count from 1", wire.GetSeq())
	}
	digest := sha256.Sum256(body)
	record := store.Record{
		RecordKey:   store.RecordKey{Beacon: beacon, Boot: wire.GetBoot(), Seq: int64(wire.GetSeq())},
		RecordedDay: day(wire.GetRecordedDay()),
		DeviceTime:  instant(wire.GetDeviceUnixUs()),
		Body:        body,
		Digest:      digest[:],
	}
	derive(r, &record, &wire)
	return record, nil
}

// derive adds the kind, and what tables beside the records are to say.
func derive(r rules, record *store.Record, wire *wirev1.Record) {
	switch body := wire.GetBody().(type) {
	case *wirev1.Record_RunStarted:
		record.Kind = "run_started"
		record.RunStarted = runStarted(body.RunStarted)
	case *wirev1.Record_Health:
		record.Kind = "health"
	case *wirev1.Record_Outcome:
		record.Kind = "outcome"
		record.Outcome = outcome(body.Outcome, r.slotLength())
	case *wirev1.Record_Thinned:
		record.Kind = "thinned"
		record.Thinned = thinned(body.Thinned)
	case *wirev1.Record_Event:
		record.Kind = "event"
	default:
		record.Kind = "unknown" // of a newer agent: its bytes will be read by a newer coordinator
	}
}

func runStarted(wire *wirev1.RunStarted) *store.RunStarted {
	if wire.GetPreviousBoot() != "" && !isRun(wire.GetPreviousBoot()) || wire.GetPreviousLastSeq() > maxSeq {
		return nil
	}
	return &store.RunStarted{
		PreviousBoot: wire.GetPreviousBoot(), PreviousLastSeq: int64(wire.GetPreviousLastSeq()),
		KernelBootID: plain(wire.GetKernelBootId(), 64), Version: plain(wire.GetVersion(), 64),
	}
}

func thinned(wire *wirev1.Thinned) *store.Thinned {
	if !isRun(wire.GetBoot()) || wire.GetFirstSeq() < 1 || wire.GetLastSeq() < wire.GetFirstSeq() || wire.GetLastSeq() > maxSeq {
		return nil
	}
	return &store.Thinned{Boot: wire.GetBoot(), FirstSeq: int64(wire.GetFirstSeq()), LastSeq: int64(wire.GetLastSeq())}
}

// isRun says whether text can be the id of an agent's run.
func isRun(text string) bool {
	if len(text) != 32 {
		return false
	}
	for _, c := range []byte(text) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

// The calendar that tables use: the years 1 to 9999.
const (
	firstDay = -719162 // 0001-01-01 in days since 1970-01-01
	lastDay  = 2932896 // 9999-12-31
)

// day is the day that a record carries; impossible ones are held to the
// calendar's ends, the same way each time.
func day(sinceEpoch int32) time.Time {
	return time.Unix(0, 0).UTC().AddDate(0, 0, int(min(max(sinceEpoch, firstDay), lastDay)))
}

// instant is a time in microseconds of Unix time; nil: outside of the calendar.
func instant(us int64) *time.Time {
	const usPerDay = 24 * 60 * 60 * 1_000_000
	if us < firstDay*usPerDay || us >= (lastDay+1)*usPerDay {
		return nil
	}
	t := time.UnixMicro(us).UTC()
	return &t
}
