package plan

import (
	"bytes"
	"strconv"
	"unicode/utf8"
)

// quick reads a file as Encode writes it, but for the space between its parts. A
// plan of a large network has a million lines of one form, which a reader of any
// JSON takes twenty times as long for. It finds no faults: what it does not know
// is left to that reader.
type quick struct {
	rest   []byte
	failed bool
	known  map[string]string // each text once, since most stand there often
}

// readQuickly returns ok when a file has the usual form.
func readQuickly(data []byte) (file *filePlan, ok bool) {
	q := &quick{rest: data, known: map[string]string{}}
	q.mark('{')
	network := q.named("network")
	q.mark(',')
	from := q.named("from")
	q.mark(',')
	to := q.named("to")
	q.mark(',')
	q.key("slot_seconds")
	seconds := q.integer()
	file = &filePlan{Network: &network, From: &from, To: &to, SlotSeconds: &seconds}
	q.mark(',')
	q.key("transmissions")
	file.Transmissions = make([]fileTransmission, 0, len(data)/120) // bytes of each, about
	q.list(func() { file.Transmissions = append(file.Transmissions, q.transmission()) })
	q.mark(',')
	q.key("shortfalls")
	file.Shortfalls = []Shortfall{}
	q.list(func() { file.Shortfalls = append(file.Shortfalls, q.shortfall()) })
	q.mark('}')
	return file, !q.failed && q.next() == 0
}

func (q *quick) transmission() (t fileTransmission) {
	q.mark('{')
	t.Start = q.named("start")
	q.mark(',')
	t.Beacon = q.named("beacon")
	q.mark(',')
	t.Band = q.named("band")
	q.mark(',')
	q.key("frequency_hz")
	t.FrequencyHz = q.number()
	if q.next() == ',' {
		q.mark(',')
		t.Message = Message(q.named("message"))
	}
	q.mark('}')
	return t
}

func (q *quick) shortfall() (s Shortfall) {
	q.mark('{')
	s.Beacon = q.named("beacon")
	q.mark(',')
	if q.either("band", "wanted") == "band" {
		s.Band = q.named("band")
		q.mark(',')
	}
	q.key("wanted")
	s.Wanted = int(q.integer())
	q.mark(',')
	q.key("granted")
	s.Granted = int(q.integer())
	q.mark(',')
	s.Reason = q.named("reason")
	q.mark('}')
	return s
}

// next returns the next byte that is no space; 0 at the end.
func (q *quick) next() byte {
	for len(q.rest) > 0 {
		switch c := q.rest[0]; c {
		case ' ', '\n', '\r', '\t':
			q.rest = q.rest[1:]
		default:
			return c
		}
	}
	return 0
}

func (q *quick) mark(c byte) {
	if q.next() != c {
		q.fail()
		return
	}
	q.rest = q.rest[1:]
}

func (q *quick) fail() { q.rest, q.failed = nil, true }

func (q *quick) list(entry func()) {
	q.mark('[')
	if q.next() != ']' {
		for entry(); q.next() == ','; entry() {
			q.mark(',')
		}
	}
	q.mark(']')
}

func (q *quick) named(name string) string {
	q.key(name)
	return q.text()
}

func (q *quick) key(name string) {
	q.mark('"')
	if len(q.rest) <= len(name) || string(q.rest[:len(name)]) != name || q.rest[len(name)] != '"' {
		q.fail()
		return
	}
	q.rest = q.rest[len(name)+1:]
	q.mark(':')
}

// either says which of two keys stands next.
func (q *quick) either(first, second string) string {
	if q.next() == '"' && bytes.HasPrefix(q.rest[1:], []byte(first)) {
		return first
	}
	return second
}

// text reads text in which nothing is escaped.
func (q *quick) text() string {
	q.mark('"')
	end := bytes.IndexByte(q.rest, '"')
	if end < 0 {
		q.fail()
		return ""
	}
	part := q.rest[:end]
	q.rest = q.rest[end+1:]
	text, ok := q.known[string(part)]
	if ok {
		return text
	}
	for _, c := range part {
		if c < ' ' || c == '\\' {
			q.fail()
			return ""
		}
	}
	if !utf8.Valid(part) {
		q.fail()
		return ""
	}
	text = string(part)
	q.known[text] = text
	return text
}

// digits takes a number without exponent, as it is written.
func (q *quick) digits() []byte {
	q.next()
	i := 0
	for i < len(q.rest) && (q.rest[i] == '-' || q.rest[i] == '.' || '0' <= q.rest[i] && q.rest[i] <= '9') {
		i++
	}
	part := q.rest[:i]
	q.rest = q.rest[i:]
	whole, fraction, pointed := bytes.Cut(bytes.TrimPrefix(part, []byte("-")), []byte("."))
	if len(whole) == 0 || len(whole) > 1 && whole[0] == '0' || pointed && len(fraction) == 0 {
		q.fail()
	}
	return part
}

func (q *quick) number() float64 {
	x, err := strconv.ParseFloat(string(q.digits()), 64)
	if err != nil {
		q.fail()
	}
	return x
}

func (q *quick) integer() int64 {
	n, err := strconv.ParseInt(string(q.digits()), 10, 64)
	if err != nil {
		q.fail()
	}
	return n
}
