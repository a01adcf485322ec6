package orders

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/lease"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

// Bounds of a request.
const (
	maxRequestBytes = 1 << 10
	nonceBytes      = 16
	maxBootID       = 64
	runDigits       = 32
)

// ReadRequest reads a request for a lease and checks that it speaks for whom its
// topic names.
func ReadRequest(name string, payload []byte) (*wirev1.LeaseRequest, topic.Address, error) {
	address, kind, err := topic.Parse(name)
	if err != nil {
		return nil, address, err
	}
	if kind != topic.LeaseRequest {
		return nil, address, fmt.Errorf("it came on %s", name)
	}
	if len(payload) > maxRequestBytes {
		return nil, address, fmt.Errorf("from %s: %d bytes, and a request has at most %d", address.Beacon, len(payload), maxRequestBytes)
	}
	var r wirev1.LeaseRequest
	if err := proto.Unmarshal(payload, &r); err != nil {
		return nil, address, fmt.Errorf("from %s: %d bytes that are no request", address.Beacon, len(payload))
	}
	if err := checkRequest(&r, address); err != nil {
		return nil, address, fmt.Errorf("from %s: %w", address.Beacon, err)
	}
	return &r, address, nil
}

func checkRequest(r *wirev1.LeaseRequest, address topic.Address) error {
	const most = 1<<63 - 1 // what the database can hold
	switch {
	case r.GetNetwork() != address.Network || r.GetBeacon() != address.Beacon:
		return fmt.Errorf("it speaks for %.64q in network %.64q", r.GetBeacon(), r.GetNetwork())
	case len(r.GetNonce()) != nonceBytes:
		return fmt.Errorf("its nonce has %d bytes, not %d", len(r.GetNonce()), nonceBytes)
	case r.GetBootId() == "" || len(r.GetBootId()) > maxBootID || !printable(r.GetBootId()):
		return fmt.Errorf("its boot id is not 1 to %d plain characters", maxBootID)
	case !isRun(r.GetRun()):
		return fmt.Errorf("its run is not %d hexadecimal digits", runDigits)
	case r.GetConfirmed().GetEpoch() > most || r.GetConfirmed().GetRevision() > most:
		return fmt.Errorf("the number of its orders is out of range")
	}
	return nil
}

func printable(text string) bool {
	for i := range len(text) {
		if text[i] < ' ' || text[i] > '~' {
			return false
		}
	}
	return true
}

func isRun(text string) bool {
	for i := range len(text) {
		if c := text[i]; (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return len(text) == runDigits
}

// Asked is what a request is decided by.
func Asked(r *wirev1.LeaseRequest) lease.Request {
	return lease.Request{
		Beacon: r.GetBeacon(), Run: r.GetRun(), BootID: r.GetBootId(), Reader: r.GetReader(),
		Held: lease.Number{Epoch: r.GetConfirmed().GetEpoch(), Revision: r.GetConfirmed().GetRevision()},
	}
}

// Counts says whether what a request says is kept: not what a second device
// says, nor a beacon that nobody here knows.
func (w *Writer) Counts(r lease.Request, d lease.Decision) bool {
	return d.Refusal != lease.ClonedIdentity && d.Refusal != lease.OtherKernel && (d.Refusal != lease.UnknownBeacon || !w.Book.Latest(r.Beacon).IsZero())
}

// Granted notes that a decision is in the database: it may be sent now. news says
// whether the beacon holds other orders than before.
func (w *Writer) Granted(r lease.Request, known lease.Known, d lease.Decision) (news bool) {
	if !w.Counts(r, d) {
		return false
	}
	w.Book.Follow(r.Beacon, d.Former)
	news = known.HeldKnown && w.Book.Hold(r.Beacon, r.Held)
	if d.Refusal == "" {
		w.Book.Extend(r.Beacon, d.Until)
	}
	return news
}

// Stuck says whether a beacon that holds its latest orders is barred from some of
// what stands there: no message will end that, but another plan may, which is
// tried once for these orders. It comes where a device speaks again beside which
// another has spoken, since of two nobody knows which holds what.
func (w *Writer) Stuck(r lease.Request, d lease.Decision) bool {
	if !d.Barred || r.Held != w.Book.Latest(r.Beacon) || r.Held == w.stuck[r.Beacon] {
		return false
	}
	w.stuck[r.Beacon] = r.Held
	return true
}

// Answer is the message that answers a request, to be sealed.
func Answer(epoch uint64, asked *wirev1.LeaseRequest, d lease.Decision) ([]byte, error) {
	answer := &wirev1.LeaseGrant{
		LeastReader: lease.Format, Network: asked.GetNetwork(), Beacon: asked.GetBeacon(),
		Nonce: asked.GetNonce(), BootId: asked.GetBootId(), Epoch: epoch, Confirmed: asked.GetConfirmed(),
	}
	if d.Refusal != "" {
		answer.Refusal = d.Sentence
	}
	for _, term := range d.Terms {
		answer.Terms = append(answer.Terms, &wirev1.LeaseTerm{Control: WireControl(term.Control), TimeToLiveMs: term.Length.Milliseconds()})
	}
	return proto.Marshal(answer)
}
