package keyer

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/onair/wspr"
	"lamplighter/proto/planted"
)

// job is one permitted transmission.
type job struct {
	permit  *keyerv1.Permit
	length  slot.Length
	ordered *wirev1.Transmission
	symbols [slot.Symbols]byte

	start   time.Time     // of the slot
	startAt time.Duration // the same on the boot clock; fixed by key-down
	keyedAt time.Duration
	keyedOn time.Time // by the keyer's clock
	begun   int       // symbols

	prepared bool // the transmitter knows of it
}

// preparesAt is when the transmitter is to be prepared, on the boot clock.
func (j *job) preparesAt() time.Duration { return j.startsAt() - prepareAhead }

// startsAt is when the key is to go down, on the boot clock.
func (j *job) startsAt() time.Duration { return j.startAt + j.length.Timing().StartOffset() }

// endsAt is when the last symbol ends, on the boot clock.
func (j *job) endsAt() time.Duration { return j.startAt + j.length.Timing().End() }

// edge is when the next symbol starts, or the last one ends.
func (j *job) edge() time.Duration { return j.startAt + j.length.Timing().SymbolStart(j.begun) }

// check is one condition of a transmission.
type check func(*Core, *job) *refusal

// conditions of a transmission, in the order in which they are asked.
var conditions = []check{
	(*Core).armed, (*Core).interlocked, (*Core).heard, (*Core).timed, (*Core).ordered, (*Core).unhushed,
	(*Core).licensed, (*Core).enveloped, (*Core).certain, (*Core).identified, (*Core).leased, (*Core).attended,
}

// lasting are the conditions that can end while the key is down.
var lasting = []check{
	(*Core).armed, (*Core).interlocked, (*Core).heard, (*Core).ordered, (*Core).unhushed,
	(*Core).licensed, (*Core).enveloped, (*Core).leased, (*Core).attended,
}

func (c *Core) ask(checks []check, j *job) *refusal {
	for _, ask := range checks {
		if no := ask(c, j); no != nil {
			return no
		}
	}
	return nil
}

// permit takes up a permitted slot, or says why not.
func (c *Core) permit(p *keyerv1.Permit) {
	j, no := c.find(p)
	switch {
	case no != nil:
	case c.key.pending != nil:
		no = refuse(Busy, "")
	default:
		no = c.timely(j)
		if no == nil {
			no = c.ask(conditions, j)
		}
	}
	if no != nil {
		c.ended(&keyerv1.Ended{
			Slot: p.GetSlot(), Orders: p.GetOrders(), Reason: string(no.reason),
			Kind: wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED,
		})
		return
	}
	c.key.pending = j
}

// find looks a permitted slot up in the orders and encodes its message.
func (c *Core) find(p *keyerv1.Permit) (*job, *refusal) {
	orders := c.onDisk.orders
	if orders == nil {
		return nil, refuse(NoOrders, "")
	}
	if (number{p.GetOrders().GetEpoch(), p.GetOrders().GetRevision()}) != orders.number {
		return nil, refuse(Withdrawn, "")
	}
	ordered := listed(orders.message, p.GetSlot())
	if ordered == nil {
		return nil, refuse(NotListed, "")
	}
	symbols, no := encode(ordered.GetMessage())
	if no != nil {
		return nil, no
	}
	length := slot.Length(orders.message.GetSlotSeconds())
	return &job{
		permit: p, length: length, ordered: ordered, symbols: symbols,
		start: length.Start(slot.Number(p.GetSlot())),
	}, nil
}

func listed(orders *wirev1.Orders, n int64) *wirev1.Transmission {
	all := orders.GetTransmissions()
	i, ok := slices.BinarySearchFunc(all, n, func(t *wirev1.Transmission, n int64) int { return cmp.Compare(t.GetSlot(), n) })
	if planted.Is("S1 a slot that is not listed") && len(all) > 0 {
		return all[min(i, len(all)-1)]
	}
	if !ok {
		return nil
	}
	return all[i]
}

// encode gives the symbols of a message that says exactly what was ordered.
func encode(m *wirev1.Message) (symbols [slot.Symbols]byte, no *refusal) {
	message := wspr.Message{Callsign: m.GetCallsign(), Locator: m.GetLocator(), PowerDBm: int(m.GetPowerDbm())}
	switch {
	case m.GetKind() == wirev1.MessageKind_MESSAGE_KIND_EXTENDED:
		message.Kind, message.Hash = wspr.Type3, wspr.Hash(message.Callsign)
	case m.GetKind() != wirev1.MessageKind_MESSAGE_KIND_FULL:
		return symbols, refuse(NotEncodable, "message kind %d", m.GetKind())
	case wspr.Compound(message.Callsign):
		message.Kind = wspr.Type2
	default:
		message.Kind = wspr.Type1
	}
	if message.Callsign == "" {
		return symbols, refuse(NotEncodable, "no call sign")
	}
	symbols, err := message.Symbols()
	if err != nil {
		return symbols, refuse(NotEncodable, "%v", err)
	}
	return symbols, nil
}

// timely refuses a slot that is too near or too far, or was keyed before.
func (c *Core) timely(j *job) *refusal {
	if c.agent.heard == nil {
		return refuse(AgentSilent, "")
	}
	if j.start.Equal(c.key.lastStart) && !planted.Is("S12 a slot twice") {
		return refuse(SlotUsed, "")
	}
	if c.key.stoppedTo.After(j.start) {
		return refuse(c.key.stopped, "")
	}
	c.place(j)
	if j.startsAt()-c.now.Boot > earliestPermit*j.length.Duration() {
		return refuse(Early, "")
	}
	if c.missed(j) {
		return refuse(Late, "")
	}
	return nil
}

// missed says whether it is too late to start. A slot that began before this
// process did may have been keyed by the one before it.
func (c *Core) missed(j *job) bool {
	if planted.Is("S12 a late start") {
		return c.now.Boot > j.startsAt()+time.Minute
	}
	return c.now.Boot > j.startsAt()+latestStart || j.startsAt() < c.started
}

// place puts the start of a slot on the boot clock, by the keyer's clock as it
// is now.
func (c *Core) place(j *job) {
	const far = 48 * time.Hour
	ahead := j.start.Sub(c.clock())
	j.startAt = c.now.Boot + max(-far, min(far, ahead))
}

// clock is the keyer's clock: the wall clock with the agent's correction.
func (c *Core) clock() time.Time {
	return c.now.Wall.Add(time.Duration(c.agent.heard.GetWallOffsetNs()))
}

// armed refuses everything after a trip, and when nobody is there to key for.
func (c *Core) armed(*job) *refusal {
	for _, r := range []Reason{c.wanted.tripped, c.onDisk.tripped, c.agent.left} {
		if r != "" {
			return refuse(r, "")
		}
	}
	return nil
}

// heard asks for a heartbeat that is not too old.
func (c *Core) heard(*job) *refusal {
	if c.agent.heard == nil || c.now.Boot-c.agent.heardAt >= heartbeatLimit && !planted.Is("S7 no heartbeat") {
		return refuse(AgentSilent, "")
	}
	return nil
}

// timed asks for a clock whose error is known and small.
func (c *Core) timed(*job) *refusal {
	switch heard := c.agent.heard; {
	case c.now.Boot < c.agent.settlesAt:
		return refuse(ClockStepped, "")
	case (heard.ClockErrorBoundNs == nil || heard.GetClockErrorBoundNs() < 0) && !planted.Is("S3 a clock that nobody knows"):
		return refuse(ClockUnknown, "")
	case heard.GetClockErrorBoundNs() > int64(maxClockError):
		return refuse(ClockUnsure, "")
	}
	return nil
}

// ordered asks whether the orders still want what was permitted. Orders that
// begin after the slot of what is on the air do not speak of it.
func (c *Core) ordered(j *job) *refusal {
	orders := c.onDisk.orders
	if orders == nil {
		return refuse(NoOrders, "")
	}
	if j == c.key.onAir && j.permit.GetSlot() < orders.message.GetFromSlot() {
		return nil
	}
	sameLength := slot.Length(orders.message.GetSlotSeconds()) == j.length
	now := listed(orders.message, j.permit.GetSlot())
	if !sameLength || now != j.ordered && !proto.Equal(now, j.ordered) { // in the same orders it is the very same
		return refuse(Withdrawn, "")
	}
	return nil
}

// unhushed asks whether the band may speak.
func (c *Core) unhushed(j *job) *refusal {
	if c.silenced(j.ordered.GetBand()) {
		return refuse(Hushed, "")
	}
	return nil
}

// identified asks that an extended message follows a full one soon enough.
func (c *Core) identified(j *job) *refusal {
	if j.ordered.GetMessage().GetKind() == wirev1.MessageKind_MESSAGE_KIND_FULL {
		return nil
	}
	if planted.Is("S11 a second message alone") {
		return nil
	}
	full := c.key.lastFull
	if full == nil || full.ordered.GetBand() != j.ordered.GetBand() ||
		full.ordered.GetMessage().GetCallsign() != j.ordered.GetMessage().GetCallsign() {
		return refuse(NoFullBefore, "")
	}
	// By both clocks, so that setting one brings nothing nearer. On the boot
	// clock the two may differ by what a start may be late.
	apart := j.start.Sub(full.start)
	if apart <= 0 || apart > pairWithin || j.startsAt()-full.startsAt() > pairWithin+clockSettles {
		return refuse(NoFullBefore, "")
	}
	return nil
}

// leased asks for a lease that outlasts the transmission.
func (c *Core) leased(j *job) *refusal {
	end, ok := c.onDisk.lease.end(c.config.BootID, j.ordered.GetControl())
	if !ok || end <= c.now.Boot {
		return refuse(NoLease, "")
	}
	if j.endsAt()+leaseMargin > end && !planted.Is("S2 no margin") {
		return refuse(LeaseEnds, "")
	}
	return nil
}

// attended asks for the operator whom local control needs, and whom a
// transmitter without a key line does.
func (c *Core) attended(j *job) *refusal {
	if c.config.LocalOnly && j.ordered.GetControl() != wirev1.Control_CONTROL_LOCAL {
		return refuse(LocalOnly, "")
	}
	if j.ordered.GetControl() == wirev1.Control_CONTROL_LOCAL && !c.present() {
		return refuse(OperatorAbsent, "")
	}
	return nil
}
