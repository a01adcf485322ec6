package intake

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

// The publishers of the benchmark live in a process of their own, so that what
// they cost can be told from what is measured. They write their packets by hand
// (MQTT 3.1.1, chapter 3), made before the time begins: a library's client costs
// more than the intake does.

// load is what publishers are to do.
type load struct {
	Address                  string
	Kind                     topic.Kind
	Round, Day               int
	Publishers, Each, Window int
	Receipts                 bool // go on until a receipt covers each record
	Subscriber               bool // go on until one that stores nothing has heard each
}

// loaded is what became of it.
type loaded struct {
	CPU     time.Duration // of the publishers' process
	Problem string
}

const loadVariable = "LAMPLIGHTER_TEST_LOAD"

// publishers is their process, connected and waiting.
type publishers struct {
	run   *exec.Cmd
	begin io.WriteCloser
	said  *bufio.Reader
}

// startPublishers returns when all are connected.
func startPublishers(b *testing.B, what load) *publishers {
	b.Helper()
	text, err := json.Marshal(what)
	if err != nil {
		b.Fatal(err)
	}
	p := &publishers{run: exec.Command(os.Args[0])}
	p.run.Env = append(os.Environ(), loadVariable+"="+string(text))
	p.run.Stderr = os.Stderr
	out, err := p.run.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if p.begin, err = p.run.StdinPipe(); err != nil {
		b.Fatal(err)
	}
	if err := p.run.Start(); err != nil {
		b.Fatal(err)
	}
	p.said = bufio.NewReader(out)
	p.hear(b)
	return p
}

func (p *publishers) hear(b *testing.B) (l loaded) {
	b.Helper()
	line, err := p.said.ReadBytes('\n')
	if err == nil {
		err = json.Unmarshal(line, &l)
	}
	if err != nil || l.Problem != "" {
		b.Fatalf("the publishers: %s %v", l.Problem, err)
	}
	return l
}

// publish has them send all that they have, and returns when each message is
// answered.
func (p *publishers) publish(b *testing.B) loaded {
	b.Helper()
	if _, err := io.WriteString(p.begin, "\n"); err != nil {
		b.Fatal(err)
	}
	return p.hear(b)
}

// end ends their process.
func (p *publishers) end(b *testing.B) {
	b.Helper()
	_ = p.begin.Close()
	if err := p.run.Wait(); err != nil {
		b.Error(err)
	}
}

// bePublishers is the life of that process.
func bePublishers(text string) {
	var what load
	if err := json.Unmarshal([]byte(text), &what); err != nil {
		panic(err)
	}
	say := func(l loaded) { _ = json.NewEncoder(os.Stdout).Encode(l) }
	all := make([]*publisher, what.Publishers)
	for i := range all {
		p, err := newPublisher(what, beaconOf(i))
		if err != nil {
			say(loaded{Problem: err.Error()})
			return
		}
		all[i] = p
	}
	var subscriber *publisher
	if what.Subscriber {
		var err error
		if subscriber, err = newSubscriber(what); err != nil {
			say(loaded{Problem: err.Error()})
			return
		}
	}
	say(loaded{})
	stdin := bufio.NewReader(os.Stdin)
	if _, err := stdin.ReadByte(); err != nil {
		return
	}
	before := processorTime()
	problems := make([]error, len(all)+1)
	var running sync.WaitGroup
	if subscriber != nil {
		running.Go(func() { problems[len(all)] = subscriber.listen(what.Publishers * what.Each) })
	}
	for i, p := range all {
		running.Go(func() { problems[i] = p.publish(what.Receipts) })
	}
	running.Wait()
	l := loaded{CPU: processorTime() - before}
	if err := errors.Join(problems...); err != nil {
		l.Problem = err.Error()
	}
	say(l)
	_, _ = stdin.ReadByte() // until its other end is closed
}

// processorTime is what this process has used.
func processorTime() time.Duration {
	var used syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &used)
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// publisher is an agent as far as a broker can see.
type publisher struct {
	conn     net.Conn
	in       *bufio.Reader
	messages [][]byte // whole packets
	window   int
	acks     []bool // by packet
	covered  []bool
	body     []byte
	answers  []byte // acknowledgements of receipts that are to be sent
}

const (
	packetPublish = 0x30
	packetPuback  = 0x40
	atLeastOnce   = 0x02 // QoS 1 in the first byte of a PUBLISH
)

func newPublisher(what load, beacon string) (*publisher, error) {
	at := topic.Address{Network: network, Beacon: beacon}
	p := &publisher{window: what.Window, acks: make([]bool, what.Each), covered: make([]bool, what.Each)}
	for i, payload := range roundOf(what, beacon) {
		p.messages = append(p.messages, packet(packetPublish|atLeastOnce, text(at.Topic(what.Kind)), number(i+1), payload))
	}
	err := p.connect(what.Address, at.ClientID())
	if err == nil && what.Receipts {
		err = p.subscribe(at.Topic(topic.Receipts))
	}
	return p, err
}

// newSubscriber is whoever hears all that is published, and stores nothing.
func newSubscriber(what load) (*publisher, error) {
	p := &publisher{}
	return p, errors.Join(p.connect(what.Address, "subscriber"), p.subscribe(topic.Every(network, what.Kind)))
}

func (p *publisher) connect(address, id string) (err error) {
	if p.conn, err = net.Dial("tcp", address); err != nil {
		return err
	}
	p.in = bufio.NewReaderSize(p.conn, 1<<16)
	const cleanSession, level, keepAlive = 2, 4, 300
	return p.ask(packet(0x10, text("MQTT"), []byte{level, cleanSession}, number(keepAlive), text(id)), 0x20)
}

func (p *publisher) subscribe(filter string) error {
	return p.ask(packet(0x82, number(1), text(filter), []byte{1}), 0x90)
}

// listen answers what is heard, until it was so many messages.
func (p *publisher) listen(messages int) error {
	var out []byte
	for range messages {
		kind, body, err := p.read()
		if err != nil || kind&0xf0 != packetPublish {
			return fmt.Errorf("a packet of kind %x: %w", kind, err)
		}
		id := body[2+binary.BigEndian.Uint16(body):]
		out = append(out, packetPuback, 2, id[0], id[1])
		if p.in.Buffered() == 0 {
			if _, err := p.conn.Write(out); err != nil {
				return err
			}
			out = out[:0]
		}
	}
	return nil
}

// packet puts a packet together from its first byte and what follows the length.
func packet(first byte, parts ...[]byte) []byte {
	length := 0
	for _, part := range parts {
		length += len(part)
	}
	// A length of MQTT is a variable-length number as protobuf has it.
	whole := binary.AppendUvarint([]byte{first}, uint64(length))
	for _, part := range parts {
		whole = append(whole, part...)
	}
	return whole
}

func number(n int) []byte { return binary.BigEndian.AppendUint16(nil, uint16(n)) }

func text(s string) []byte { return append(number(len(s)), s...) }

// ask sends a packet and wants an answer of a kind that ends in no refusal.
func (p *publisher) ask(question []byte, answer byte) error {
	if _, err := p.conn.Write(question); err != nil {
		return err
	}
	kind, body, err := p.read()
	if err == nil && (kind != answer || len(body) == 0 || body[len(body)-1] >= 0x80 || kind == 0x20 && body[1] != 0) {
		err = fmt.Errorf("answered with %x %x", kind, body)
	}
	return err
}

// read reads a packet; its body is good until the next one is read.
func (p *publisher) read() (first byte, body []byte, err error) {
	if first, err = p.in.ReadByte(); err != nil {
		return 0, nil, err
	}
	length, err := binary.ReadUvarint(p.in)
	if err != nil || length > 1<<20 {
		return 0, nil, fmt.Errorf("a packet of %d bytes: %w", length, err)
	}
	if uint64(cap(p.body)) < length {
		p.body = make([]byte, length)
	}
	p.body = p.body[:length]
	_, err = io.ReadFull(p.in, p.body)
	return first, p.body, err
}

// publish sends the messages, never more of them unanswered than the window. It
// sleeps until half of the window is answered, so that publishers who share the
// processors with what is measured cost little.
func (p *publisher) publish(receipts bool) error {
	sent, open := 0, 0
	left := len(p.messages)
	if receipts {
		left *= 2
	}
	if err := p.sleepUntil(p.window / 2 * pubackBytes); err != nil {
		return err
	}
	var out []byte
	for left > 0 {
		out = append(out[:0], p.answers...)
		p.answers = p.answers[:0]
		if open <= p.window/2 {
			for ; sent < len(p.messages) && open < p.window; sent, open = sent+1, open+1 {
				out = append(out, p.messages[sent]...)
			}
		}
		if len(out) > 0 {
			if _, err := p.conn.Write(out); err != nil {
				return err
			}
		}
		if sent == len(p.messages) {
			if err := p.sleepUntil(1); err != nil {
				return err
			}
		}
		for first := true; first || p.in.Buffered() > 0; first = false {
			n, acked, err := p.hear()
			if err != nil {
				return fmt.Errorf("%d of %d answers are missing: %w", left, len(p.messages), err)
			}
			open, left = open-acked, left-n
		}
	}
	return nil
}

const pubackBytes = 4

// sleepUntil lets reading wait until so many bytes are there.
func (p *publisher) sleepUntil(bytes int) error {
	raw, err := p.conn.(*net.TCPConn).SyscallConn()
	if err != nil {
		return err
	}
	failed := raw.Control(func(fd uintptr) { err = syscall.SetsockoptInt(int(fd), syscall.SOL_SOCKET, syscall.SO_RCVLOWAT, bytes) })
	return errors.Join(failed, err)
}

// hear reads a packet, and says how much of what is waited for came with it.
func (p *publisher) hear() (came, acked int, err error) {
	kind, body, err := p.read()
	switch {
	case err != nil:
		return 0, 0, err
	case kind == packetPuback:
		return 1, 1, take(p.acks, int(binary.BigEndian.Uint16(body)))
	case kind&0xf0 == packetPublish:
		came, err = p.receipt(kind, body)
		return came, 0, err
	default:
		return 0, 0, fmt.Errorf("a packet of kind %x", kind)
	}
}

// take notes that something came, which must not come twice.
func take(of []bool, n int) error {
	if n < 1 || n > len(of) || of[n-1] {
		return fmt.Errorf("%d was answered twice, or never sent", n)
	}
	of[n-1] = true
	return nil
}

// receipt reads which records are covered now; whom it is sealed by is for other
// tests.
func (p *publisher) receipt(first byte, body []byte) (records int, err error) {
	rest := body[2+binary.BigEndian.Uint16(body):]
	if first&atLeastOnce != 0 {
		p.answers = append(p.answers, packetPuback, 2, rest[0], rest[1])
		rest = rest[2:]
	}
	var sealed wirev1.Sealed
	var receipt wirev1.Receipt
	if err := errors.Join(proto.Unmarshal(rest, &sealed), proto.Unmarshal(sealed.GetPayload(), &receipt)); err != nil {
		return 0, err
	}
	for _, r := range receipt.GetRanges() {
		for seq := r.GetFirstSeq(); seq <= r.GetLastSeq(); seq++ {
			if err := take(p.covered, int(seq)); err != nil {
				return 0, err
			}
			records++
		}
	}
	return records, nil
}

// roundOf makes the messages of a publisher in a round, a record in each.
func roundOf(what load, beacon string) (payloads [][]byte) {
	sentence := strings.Repeat("x", recordBytes-72) // what stands around it has 72 bytes
	for i := range what.Each {
		record := wireRecord(what.Round, uint64(i+1))
		record.RecordedDay = int32(what.Day)
		record.Body = &wirev1.Record_Event{Event: &wirev1.Event{What: "bench", Sentence: sentence}}
		body, err := proto.Marshal(record)
		if err != nil || len(body) < recordBytes-10 || len(body) > recordBytes+10 {
			panic(fmt.Sprintf("a record of %d bytes: %v", len(body), err))
		}
		payload, err := proto.Marshal(&wirev1.RecordBatch{Network: network, Beacon: beacon, Records: [][]byte{body}})
		if err != nil {
			panic(err)
		}
		payloads = append(payloads, payload)
	}
	return payloads
}

func beaconOf(p int) string { return fmt.Sprintf("b%03d", p) }
