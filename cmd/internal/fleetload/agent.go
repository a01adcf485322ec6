package fleetload

import (
	"bufio"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	mathrand "math/rand/v2"
	"net"
	"sync"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// Times of a real agent (packages core and link of the agent).
const (
	renewRemote  = 20 * time.Second
	renewOther   = 5 * time.Minute
	askAgain     = 5 * time.Second
	askAgainMost = time.Minute
	sendAgain    = 10 * time.Second
	keepAlive    = 30 * time.Second
	answerTime   = 10 * time.Second
	openTime     = answerTime + time.Second // until the broker has taken the connection, and for each answer after that
	firstWait    = time.Second
	longestWait  = time.Minute
	goodLink     = 5 * time.Minute
)

const readBuffer = 512

// agent is one of the crowd. All but reading happens with mu held.
type agent struct {
	crowd       *Crowd
	address     topic.Address
	run, kernel string

	mu         sync.Mutex
	conn       net.Conn // nil: none, or not yet up
	timer      *time.Timer
	connection uint64
	packet     uint16
	sentAt     time.Time // something, on this connection
	openedAt   time.Time // when it was up; zero: it is not

	orders  pair
	remote  bool // whether any of its orders is under remote control
	hush    pair
	silent  bool // whether that hush silences anything
	hushAt  time.Time
	orderAt time.Time

	liveSeq          uint64
	healthAt         time.Time // the next
	leaseAt          time.Time // the next request
	askedAt          time.Time // the latest
	unanswered       int
	shortest         time.Duration // of the terms of the latest grant
	leased           time.Time     // when the latest was heard
	nonce            []byte
	seq              uint64
	waiting          []record // without a receipt, oldest first
	inFlight         int      // the first of them that were sent on this connection
	batchAt          time.Time
	received, denied int
	heard            topic.Kind // of the latest message that came down
	heardAt          time.Time
}

// pair numbers orders and hushes.
type pair struct{ epoch, number uint64 }

func (p pair) less(q pair) bool {
	return p.epoch < q.epoch || p.epoch == q.epoch && p.number < q.number
}

// record is one that has no receipt yet.
type record struct {
	seq  uint64
	body []byte
}

func newAgent(c *Crowd, beacon string) *agent {
	id := make([]byte, 16)
	_, _ = rand.Read(id) // it never fails
	a := &agent{crowd: c, address: topic.Address{Network: c.options.Network, Beacon: beacon}, run: hex.EncodeToString(id)}
	_, _ = rand.Read(id)
	a.kernel = hex.EncodeToString(id)
	a.healthAt = time.Now().Add(mathrand.N(c.options.HealthEvery))
	a.record(&wirev1.Record{Body: &wirev1.Record_RunStarted{RunStarted: &wirev1.RunStarted{Version: version, KernelBootId: a.kernel}}})
	return a
}

// live makes one connection after another until the crowd goes home.
func (a *agent) live() {
	for failures := 0; ; failures++ {
		began := time.Now()
		err := a.connect()
		if a.crowd.over() {
			return
		}
		a.crowd.failed(err)
		if time.Since(began) >= goodLink {
			failures = 0
		}
		most := longestWait
		if failures < 6 {
			most = firstWait << failures
		}
		select {
		case <-time.After(mathrand.N(most)):
		case <-a.crowd.gone:
			return
		}
	}
}

// connect makes a connection and reads it until it ends.
func (a *agent) connect() error {
	began := time.Now()
	conn, err := net.DialTimeout("tcp", a.crowd.options.Broker, answerTime)
	if err != nil {
		return err
	}
	defer conn.Close() //nolint:errcheck // it is over
	_ = conn.SetDeadline(began.Add(openTime))
	if certificate, ok := a.crowd.options.Certificates[a.address.Beacon]; ok {
		config := a.crowd.options.TLS.Clone()
		config.Certificates = []tls.Certificate{certificate}
		conn = tls.Client(conn, config)
	}
	reader := bufio.NewReaderSize(conn, readBuffer)
	if err := a.open(conn, reader); err != nil {
		return err
	}
	_ = conn.SetDeadline(time.Time{})
	a.up(conn)
	defer a.down()
	for {
		packet, err := packets.ReadPacket(reader)
		if err != nil {
			return err
		}
		if m, ok := packet.(*packets.PublishPacket); ok {
			a.receive(m)
		}
	}
}

// open connects, subscribes and says "online", each answered by the broker.
func (a *agent) open(conn net.Conn, reader io.Reader) error {
	a.mu.Lock()
	a.connection++
	a.mu.Unlock()
	connect := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	connect.ProtocolName, connect.ProtocolVersion, connect.CleanSession = "MQTT", 4, true
	connect.ClientIdentifier, connect.Keepalive = a.address.ClientID(), uint16(keepAlive/time.Second)
	connect.WillFlag, connect.WillQos, connect.WillRetain = true, 1, true
	connect.WillTopic, connect.WillMessage = a.address.Topic(topic.Presence), a.presence(false)
	subscribe := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	subscribe.MessageID = 1
	for _, kind := range topic.Kinds() {
		if kind.Down() {
			subscribe.Topics = append(subscribe.Topics, a.address.Topic(kind))
			subscribe.Qoss = append(subscribe.Qoss, 1)
		}
	}
	var early []*packets.PublishPacket
	for i, step := range []struct {
		say    packets.ControlPacket
		answer func(packets.ControlPacket) bool
	}{
		{connect, func(p packets.ControlPacket) bool {
			ack, ok := p.(*packets.ConnackPacket)
			return ok && ack.ReturnCode == packets.Accepted
		}},
		{subscribe, func(p packets.ControlPacket) bool {
			ack, ok := p.(*packets.SubackPacket)
			return ok && len(ack.ReturnCodes) == len(subscribe.Topics) && max(ack.ReturnCodes[0], ack.ReturnCodes[1], ack.ReturnCodes[2], ack.ReturnCodes[3]) <= 1
		}},
		{publish(a.address.Topic(topic.Presence), 2, true, a.presence(true)), func(p packets.ControlPacket) bool {
			ack, ok := p.(*packets.PubackPacket)
			return ok && ack.MessageID == 2
		}},
	} {
		if i > 0 { // what went before has its time from the beginning of the connection
			_ = conn.SetDeadline(time.Now().Add(openTime))
		}
		if err := step.say.Write(conn); err != nil {
			return err
		}
		for {
			packet, err := packets.ReadPacket(reader)
			if err != nil {
				return err
			}
			if m, ok := packet.(*packets.PublishPacket); ok { // retained
				early = append(early, m)
				continue
			}
			if !step.answer(packet) {
				return fmt.Errorf("the broker answers %s", packet)
			}
			break
		}
	}
	for _, m := range early {
		a.receive(m)
	}
	return nil
}

func publish(name string, id uint16, retained bool, payload []byte) *packets.PublishPacket {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.Qos, p.Retain, p.TopicName, p.MessageID, p.Payload = 1, retained, name, id, payload
	return p
}

// up begins the work on a connection: a lease, health and what has no receipt.
func (a *agent) up(conn net.Conn) {
	a.mu.Lock()
	defer a.mu.Unlock()
	now := time.Now()
	a.conn, a.packet, a.openedAt, a.sentAt = conn, 2, now, now
	a.leaseAt, a.unanswered, a.inFlight = now, 0, 0
	a.crowd.connected.Add(1)
	a.sayHealth(now)
	a.timer = time.AfterFunc(0, a.tick)
}

func (a *agent) down() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.conn, a.openedAt = nil, time.Time{}
	a.timer.Stop()
	a.crowd.connected.Add(-1)
}

// tick does what is due, and comes back when something else is.
func (a *agent) tick() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.conn == nil {
		return
	}
	now := time.Now()
	if !now.Before(a.healthAt) {
		a.healthAt = now.Add(between(a.crowd.options.HealthEvery*19/20, a.crowd.options.HealthEvery))
		if a.crowd.options.Records {
			a.record(&wirev1.Record{Body: &wirev1.Record_Health{Health: a.health(now)}})
		}
		a.sayHealth(now)
	}
	if !now.Before(a.leaseAt) {
		a.ask(now)
	}
	if a.inFlight > 0 && now.Sub(a.batchAt) >= sendAgain {
		a.inFlight = 0
	}
	a.sendRecords(now)
	if now.Sub(a.sentAt) >= keepAlive {
		a.write(packets.NewControlPacket(packets.Pingreq))
	}
	next := a.healthAt
	for _, at := range []time.Time{a.leaseAt, a.sentAt.Add(keepAlive)} {
		if at.Before(next) {
			next = at
		}
	}
	if a.inFlight > 0 && a.batchAt.Add(sendAgain).Before(next) {
		next = a.batchAt.Add(sendAgain)
	}
	a.timer.Reset(max(time.Until(next), time.Millisecond))
}

func between(least, most time.Duration) time.Duration { return least + mathrand.N(most-least+1) }

// write sends a packet. A connection that takes none ends.
func (a *agent) write(p packets.ControlPacket) {
	if a.conn == nil {
		return
	}
	_ = a.conn.SetWriteDeadline(time.Now().Add(answerTime))
	if err := p.Write(a.conn); err != nil {
		_ = a.conn.Close() // whoever reads it notices
	}
	a.sentAt = time.Now()
}

func (a *agent) say(kind topic.Kind, m proto.Message) {
	a.packet = max(a.packet+1, 1)
	a.write(publish(a.address.Topic(kind), a.packet, false, encode(m)))
}

func encode(m proto.Message) []byte {
	payload, err := proto.Marshal(m)
	if err != nil { // only a string that is not UTF-8 could cause it
		panic(err)
	}
	return payload
}

func (a *agent) presence(online bool) []byte {
	return encode(&wirev1.Presence{
		Network: a.address.Network, Beacon: a.address.Beacon, Run: a.run, Connection: a.connection,
		Online: online, Version: version, Reader: reader,
	})
}

func (a *agent) health(now time.Time) *wirev1.Health {
	bound, satellites, uncertainty, free := int64(20_000), uint32(9), 2.5, uint64(20<<30)
	h := &wirev1.Health{
		Lock: wirev1.Lock_LOCK_LOCKED, ClockErrorBoundNs: &bound, FrequencyUncertaintyPpb: &uncertainty, Satellites: &satellites,
		Orders: &wirev1.OrdersNumber{Epoch: a.orders.epoch, Revision: a.orders.number},
		Hush:   &wirev1.HushNumber{Epoch: a.hush.epoch, Number: a.hush.number}, HushSilent: a.silent,
		OutboxRecords: uint64(len(a.waiting)), DiskFreeBytes: &free, UptimeSeconds: uint64(now.Sub(a.crowd.began) / time.Second),
		Version: version, Reader: reader, TakenUnixMs: now.UnixMilli(), ClockReason: "agreed",
	}
	if a.silent {
		h.MuteReason = "hushed"
	}
	return h
}

func (a *agent) sayHealth(now time.Time) {
	a.liveSeq++
	h := a.health(now)
	h.Network, h.Beacon, h.Run, h.LiveSeq = a.address.Network, a.address.Beacon, a.run, a.liveSeq
	a.say(topic.Health, h)
}

// ask asks for a lease.
func (a *agent) ask(now time.Time) {
	a.nonce = make([]byte, 16)
	_, _ = rand.Read(a.nonce) // it never fails
	wait := min(askAgain<<min(a.unanswered, 10), askAgainMost)
	a.unanswered++
	a.leaseAt, a.askedAt = now.Add(between(wait/2, wait)), now
	a.say(topic.LeaseRequest, &wirev1.LeaseRequest{
		Network: a.address.Network, Beacon: a.address.Beacon, Nonce: a.nonce, BootId: a.kernel, Run: a.run, Reader: reader,
		Confirmed: &wirev1.OrdersNumber{Epoch: a.orders.epoch, Revision: a.orders.number},
		Hush:      &wirev1.HushNumber{Epoch: a.hush.epoch, Number: a.hush.number},
	})
}

// record puts something into the outbox.
func (a *agent) record(r *wirev1.Record) {
	if len(a.waiting) >= maxWaiting {
		return
	}
	now := time.Now()
	a.seq++
	r.Boot, r.Seq, r.DeviceUnixUs, r.RecordedDay = a.run, a.seq, now.UnixMicro(), int32(now.Unix()/86400)
	a.waiting = append(a.waiting, record{a.seq, encode(r)})
	a.crowd.made.Add(1)
}

// sendRecords sends what waits, one batch at a time.
func (a *agent) sendRecords(now time.Time) {
	if a.inFlight > 0 || len(a.waiting) == 0 {
		return
	}
	batch := &wirev1.RecordBatch{Network: a.address.Network, Beacon: a.address.Beacon}
	for _, r := range a.waiting[:min(len(a.waiting), maxBatch)] {
		batch.Records = append(batch.Records, r.body)
	}
	a.inFlight, a.batchAt = len(batch.GetRecords()), now
	a.say(topic.Records, batch)
}

// receive takes a message in, and says at once what others wait for.
func (a *agent) receive(m *packets.PublishPacket) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if m.Qos == 1 {
		ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
		ack.MessageID = m.MessageID
		a.write(ack)
	}
	address, kind, err := topic.Parse(m.TopicName)
	if err == nil && address != a.address {
		err = errors.New("a message for somebody else")
	}
	if err == nil {
		err = a.take(kind, m.Payload)
	}
	if err != nil {
		a.crowd.wrong(fmt.Errorf("%s: %w", m.TopicName, err))
	}
}

func (a *agent) take(kind topic.Kind, sealed []byte) error {
	var purpose seal.Purpose
	var into proto.Message
	switch kind {
	case topic.Orders:
		purpose, into = seal.Orders, &wirev1.Orders{}
	case topic.Hush:
		purpose, into = seal.Hush, &wirev1.Hush{}
	case topic.Lease:
		purpose, into = seal.Lease, &wirev1.LeaseGrant{}
	case topic.Receipts:
		purpose, into = seal.Receipt, &wirev1.Receipt{}
	default:
		return errors.New("no agent listens there")
	}
	payload, err := a.crowd.options.Keys.Open(purpose, a.address.Network, a.address.Beacon, sealed)
	if err != nil {
		return err
	}
	if err := proto.Unmarshal(payload, into); err != nil {
		return err
	}
	now := time.Now()
	a.heard, a.heardAt = kind, now
	switch m := into.(type) {
	case *wirev1.Orders:
		a.takeOrders(m, now)
	case *wirev1.Hush:
		a.takeHush(m, now)
	case *wirev1.LeaseGrant:
		a.takeLease(m, now)
	case *wirev1.Receipt:
		a.takeReceipt(m, now)
	}
	return nil
}

func (a *agent) takeOrders(o *wirev1.Orders, now time.Time) {
	n := pair{o.GetEpoch(), o.GetRevision()}
	if !a.orders.less(n) {
		return
	}
	a.orders, a.orderAt, a.remote = n, now, false
	for _, t := range o.GetTransmissions() {
		a.remote = a.remote || t.GetControl() == wirev1.Control_CONTROL_REMOTE
	}
	if a.conn != nil {
		a.sayHealth(now)
		a.ask(now)
		a.timer.Reset(0)
	}
}

func (a *agent) takeHush(h *wirev1.Hush, now time.Time) {
	n := pair{h.GetEpoch(), h.GetNumber()}
	if !a.hush.less(n) {
		return
	}
	a.hush, a.hushAt, a.silent = n, now, len(h.GetScopes()) > 0
	if a.crowd.options.Records {
		a.record(&wirev1.Record{Body: &wirev1.Record_Event{Event: &wirev1.Event{What: "hush_accepted", Sentence: fmt.Sprintf("Hush state %d/%d.", n.epoch, n.number)}}})
	}
	if a.conn != nil {
		a.sayHealth(now)
		a.sendRecords(now)
	}
}

func (a *agent) takeLease(g *wirev1.LeaseGrant, now time.Time) {
	if string(g.GetNonce()) != string(a.nonce) || g.GetBootId() != a.kernel {
		return
	}
	if g.GetRefusal() != "" {
		a.denied++
		a.crowd.denied(g.GetRefusal())
		return
	}
	a.shortest = 0
	for _, term := range g.GetTerms() {
		if ttl := time.Duration(term.GetTimeToLiveMs()) * time.Millisecond; ttl > 0 && (a.shortest == 0 || ttl < a.shortest) {
			a.shortest = ttl
		}
	}
	every := renewOther
	switch {
	case a.shortest == 0 || a.remote:
		every = renewRemote
	case a.shortest/3 < every:
		every = max(a.shortest/3, time.Second)
	}
	a.unanswered, a.leased, a.nonce = 0, now, nil
	a.received++
	a.leaseAt = now.Add(between(every*9/10, every))
	a.crowd.grants.Add(1)
	if a.conn != nil {
		a.timer.Reset(0)
	}
}

func (a *agent) takeReceipt(r *wirev1.Receipt, now time.Time) {
	before := len(a.waiting)
	kept := a.waiting[:0]
	for _, w := range a.waiting {
		covered := false
		for _, part := range r.GetRanges() {
			covered = covered || part.GetBoot() == a.run && part.GetFirstSeq() <= w.seq && w.seq <= part.GetLastSeq()
		}
		if !covered {
			kept = append(kept, w)
		}
	}
	a.waiting = kept
	a.inFlight = max(0, a.inFlight-(before-len(kept)))
	a.crowd.stored.Add(int64(before - len(kept)))
	if a.conn != nil {
		a.sendRecords(now)
	}
}
