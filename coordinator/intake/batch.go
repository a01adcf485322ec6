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
	"lamplighter/proto/topic"
)

// maxSeq is the highest seq, epoch, revision or number that is believed: a
// million years at a million a second, and room enough in a bigint.
const maxSeq = 1 << 62

// recordBatch is a wirev1.RecordBatch whose records lie where they were read.
type recordBatch struct {
	network, beacon string
	records         [][]byte
}

func (b *recordBatch) GetNetwork() string { return b.network }

func (b *recordBatch) GetBeacon() string { return b.beacon }

// parseBatch reads a batch as the library does. Where its names are those of its
// topic, they are the same strings.
func parseBatch(payload []byte, at topic.Address, batch *recordBatch) error {
	named := func(value []byte, likely string) (string, error) {
		switch {
		case string(value) == likely:
			return likely, nil
		case !utf8.Valid(value):
			return "", errors.New("a name is no UTF-8")
		default:
			return string(value), nil
		}
	}
	for len(payload) > 0 {
		number, kind, value, _, rest, err := nextField(payload)
		if err != nil {
			return err
		}
		payload = rest
		switch {
		case kind != protowire.BytesType:
		case number == 1:
			batch.network, err = named(value, at.Network)
		case number == 2:
			batch.beacon, err = named(value, at.Beacon)
		case number == 3:
			batch.records = append(batch.records, value[:len(value):len(value)])
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// readBatch takes a batch apart. Records without a readable key are left out.
func readBatch(r rules, m *message, batch *recordBatch) *Refusal {
	if len(batch.records) > maxRecords {
		return refuse(TooMany, "a batch of %s has %d records, and at most %d are read", m.address.Beacon, len(batch.records), maxRecords)
	}
	total := 0
	for _, body := range batch.records {
		total += len(body)
	}
	if total > maxRecordBytes {
		return refuse(TooLarge, "the records in a batch of %s have %d bytes, and at most %d are read", m.address.Beacon, total, maxRecordBytes)
	}
	m.reports.Records = make([]store.Record, 0, len(batch.records))
	for i, body := range batch.records {
		record, refusal := readRecord(r, m.address.Beacon, body)
		if refusal != nil {
			refusal.Sentence = refuse(BadRecord, "record %d of %d in a batch of %s: %s", i+1, len(batch.records), m.address.Beacon, refusal.Sentence).Sentence
			m.bad = append(m.bad, refusal)
			continue
		}
		m.reports.Records = append(m.reports.Records, record)
	}
	return nil
}

func readRecord(r rules, beacon string, body []byte) (store.Record, *Refusal) {
	said, err := scan(body)
	if err != nil {
		return store.Record{}, refuse(BadRecord, "%d bytes that are no record", len(body))
	}
	if !isRun(said.boot) {
		return store.Record{}, refuse(BadRecord, "its boot %.40q is not 32 hexadecimal digits", said.boot)
	}
	if said.seq < 1 || said.seq > maxSeq {
		return store.Record{}, refuse(BadRecord, "its seq is %d, and they count from 1", said.seq)
	}
	digest := sha256.Sum256(body)
	record := store.Record{
		RecordKey:   store.RecordKey{Beacon: beacon, Boot: string(said.boot), Seq: int64(said.seq)},
		RecordedDay: day(said.recordedDay),
		DeviceTime:  instant(said.deviceUnixUs),
		Body:        body,
		Digest:      digest[:],
	}
	if refusal := derive(r, &record, said.body); refusal != nil {
		return store.Record{}, refusal
	}
	return record, nil
}

// derive adds the kind, by the field that says what happened, and what tables
// beside the records are to say.
func derive(r rules, record *store.Record, body protowire.Number) *Refusal {
	switch body {
	case healthField:
		record.Kind = "health"
		return nil
	case eventField:
		record.Kind = "event"
		return nil
	case 0:
		record.Kind = "unknown" // of a newer agent: its bytes will be read by a newer coordinator
		return nil
	}
	var wire wirev1.Record
	if err := (proto.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(record.Body, &wire); err != nil {
		return refuse(BadRecord, "%d bytes that are no record", len(record.Body))
	}
	switch body := wire.GetBody().(type) {
	case *wirev1.Record_RunStarted:
		record.Kind, record.RunStarted = "run_started", runStarted(body.RunStarted)
	case *wirev1.Record_Outcome:
		record.Kind, record.Outcome = "outcome", outcome(body.Outcome, r.slotLength())
	case *wirev1.Record_Thinned:
		record.Kind, record.Thinned = "thinned", thinned(body.Thinned)
	}
	return nil
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
func isRun[T string | []byte](text T) bool {
	if len(text) != 32 {
		return false
	}
	for i := range len(text) {
		c := text[i]
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
	return time.Unix(int64(min(max(sinceEpoch, firstDay), lastDay))*24*60*60, 0).UTC()
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
