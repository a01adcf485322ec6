package intake

import (
	"errors"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/reflect/protoreflect"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// scanned is what a record's row needs of it. Making messages of all that it says
// would be most of the work, and nobody asks for the rest.
type scanned struct {
	boot         []byte // as it stands in the record
	seq          uint64
	recordedDay  int32
	deviceUnixUs int64
	body         protowire.Number // of the field that says what happened; 0: none that is known here
}

// The fields of a record.
const (
	bootField, seqField, recordedDayField, deviceUnixUsField protowire.Number = 1, 2, 3, 4

	runStartedField, healthField, outcomeField, thinnedField, eventField protowire.Number = 5, 6, 7, 8, 9
)

var recordShape = shapeOf((&wirev1.Record{}).ProtoReflect().Descriptor())

// scan reads a record. It refuses what the library refuses, within what happened
// too.
func scan(record []byte) (s scanned, err error) {
	for len(record) > 0 {
		number, kind, value, varint, rest, err := nextField(record)
		if err != nil {
			return s, err
		}
		record = rest
		if err := recordShape.check(number, kind, value); err != nil {
			return s, err
		}
		switch {
		case number == bootField && kind == protowire.BytesType:
			s.boot = value
		case number == seqField && kind == protowire.VarintType:
			s.seq = varint
		case number == recordedDayField && kind == protowire.VarintType:
			s.recordedDay = int32(varint)
		case number == deviceUnixUsField && kind == protowire.VarintType:
			s.deviceUnixUs = int64(varint)
		case number >= runStartedField && number <= eventField && kind == protowire.BytesType:
			s.body = number
		}
	}
	return s, nil
}

// nextField reads a field: value is what a field of bytes holds, and varint the
// number that another one is.
func nextField(b []byte) (number protowire.Number, kind protowire.Type, value []byte, varint uint64, rest []byte, err error) {
	number, kind, n := protowire.ConsumeTag(b)
	if n < 0 {
		return 0, 0, nil, 0, nil, protowire.ParseError(n)
	}
	if !number.IsValid() {
		return 0, 0, nil, 0, nil, errors.New("a field has no number")
	}
	b = b[n:]
	switch kind {
	case protowire.BytesType:
		value, n = protowire.ConsumeBytes(b)
	case protowire.VarintType:
		varint, n = protowire.ConsumeVarint(b)
	default:
		n = protowire.ConsumeFieldValue(number, kind, b)
	}
	if n < 0 {
		return 0, 0, nil, 0, nil, protowire.ParseError(n)
	}
	return number, kind, value, varint, b[n:], nil
}

// shape is what must be looked at to know whether bytes are a message: the fields
// that hold texts, and those that hold messages.
type shape struct {
	texts    uint64   // a bit for each, by its number
	messages []*shape // by number; nil: none
}

func shapeOf(d protoreflect.MessageDescriptor) *shape {
	s := &shape{}
	for i := range d.Fields().Len() {
		field := d.Fields().Get(i)
		switch field.Kind() {
		case protoreflect.StringKind:
			s.texts |= 1 << field.Number()
		case protoreflect.MessageKind:
			for len(s.messages) <= int(field.Number()) {
				s.messages = append(s.messages, nil)
			}
			s.messages[field.Number()] = shapeOf(field.Message())
		}
	}
	return s
}

// check says whether a field's value is what the library takes for one.
func (s *shape) check(number protowire.Number, kind protowire.Type, value []byte) error {
	switch {
	case kind != protowire.BytesType:
		return nil
	case int(number) < len(s.messages) && s.messages[number] != nil:
		return s.messages[number].walk(value)
	case s.texts>>number&1 != 0 && !utf8.Valid(value):
		return errors.New("a text is no UTF-8")
	}
	return nil
}

// walk says whether bytes are a message of this shape.
func (s *shape) walk(message []byte) error {
	for len(message) > 0 {
		number, kind, value, _, rest, err := nextField(message)
		if err == nil {
			err = s.check(number, kind, value)
		}
		if err != nil {
			return err
		}
		message = rest
	}
	return nil
}
