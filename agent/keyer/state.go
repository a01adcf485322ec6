package keyer

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
)

// record is all that outlives the process. Its parts are never changed, only
// replaced, so records are compared with ==.
type record struct {
	envelope    *held[*wirev1.Envelope]
	orders      *held[*wirev1.Orders]
	hush        *held[*wirev1.Hush]
	hushUnknown bool // what was hushed is not known, so everything is
	lease       *lease
	tripped     Reason
	rearmed     *rearming // the latest
}

// file is a record as it is written: JSON behind a line that names the format
// and the SHA-256 of what follows. The signed things are there as they came, and
// verified again when they are read.
type file struct {
	Envelope    []byte    `json:"envelope,omitempty"`
	Orders      []byte    `json:"orders,omitempty"`
	Hush        []byte    `json:"hush,omitempty"`
	HushUnknown bool      `json:"hush_unknown,omitempty"`
	Lease       []byte    `json:"lease,omitempty"`
	LeaseMadeNS int64     `json:"lease_made_ns,omitempty"`
	Tripped     Reason    `json:"tripped,omitempty"`
	Rearmed     *rearming `json:"rearmed,omitempty"`
}

const fileHead = "lamplighter keyer 1 "

func sealedOf[M message](h *held[M]) []byte {
	if h == nil {
		return nil
	}
	return h.sealed
}

// encode writes a record.
func (r record) encode() []byte {
	f := file{
		Envelope: sealedOf(r.envelope), Orders: sealedOf(r.orders), Hush: sealedOf(r.hush),
		HushUnknown: r.hushUnknown, Tripped: r.tripped, Rearmed: r.rearmed,
	}
	if r.lease != nil {
		f.Lease, f.LeaseMadeNS = r.lease.sealed, int64(r.lease.made)
	}
	return f.encode()
}

func (f file) encode() []byte {
	body, _ := json.Marshal(f) // bytes, a number, a flag and a word: nothing that could fail
	return withHead(body)
}

// withHead puts the first line before the rest.
func withHead(body []byte) []byte {
	sum := sha256.Sum256(body)
	return slices.Concat([]byte(fileHead+hex.EncodeToString(sum[:])+"\n"), body)
}

// decodeFile reads what encode wrote, whole and unchanged.
func decodeFile(state []byte) (file, error) {
	var f file
	if len(state) > maxStateBytes {
		return f, fmt.Errorf("%d bytes, of at most %d", len(state), maxStateBytes)
	}
	_, body, _ := bytes.Cut(state, []byte("\n"))
	if !bytes.Equal(state, withHead(body)) {
		return f, fmt.Errorf("the first line does not fit what follows")
	}
	if err := json.Unmarshal(body, &f); err != nil {
		return file{}, err
	}
	return f, nil
}

// restore takes up what was on disk. Signed things that no longer verify are
// left out; a hush state among them hushes everything. A state that can't be
// read may have held a trip, so it is one. A trip that the disk did not take is
// remembered beside it.
func (c *Core) restore(p Persisted) {
	c.restoreRecord(p)
	c.remembered = p.Tripped
	c.wanted.tripped = cmp.Or(c.wanted.tripped, p.Tripped)
	if planted.Is("S5 a trip forgotten at a restart") {
		c.wanted.tripped, c.onDisk.tripped = "", ""
	}
}

func (c *Core) restoreRecord(p Persisted) {
	if p.Unreadable == nil && len(p.State) == 0 {
		return
	}
	f, err := decodeFile(p.State)
	if p.Unreadable != nil || err != nil {
		c.wanted = record{hushUnknown: true, tripped: StateGarbled}
		c.onDisk = c.wanted
		return
	}
	c.wanted.tripped, c.wanted.rearmed, c.wanted.hushUnknown = f.Tripped, f.Rearmed, f.HushUnknown
	if planted.Is("S6 a hush forgotten at a restart") {
		f.Hush = nil
	}
	if len(f.Envelope) > 0 {
		_ = c.takeEnvelope(f.Envelope) // refused: there is none
	}
	if len(f.Orders) > 0 {
		_ = c.takeOrders(f.Orders) // as above
	}
	if len(f.Hush) > 0 && c.takeHush(f.Hush) != nil {
		c.wanted.hushUnknown = true
	}
	if len(f.Lease) > 0 {
		c.restoreLease(f.Lease, time.Duration(f.LeaseMadeNS))
	}
	c.onDisk = c.wanted
}

// restoreLease takes up a lease that was accepted before. That of another boot
// grants nothing, but no grant of a lower epoch is accepted after it.
func (c *Core) restoreLease(sealed []byte, made time.Duration) {
	granted, no := openLease(c.config, sealed)
	if no != nil || checkTerms(granted.message.GetTerms()) != nil {
		return
	}
	if granted.message.GetBootId() == c.config.BootID && made > c.now.Boot {
		return // counted from a moment that is still to come: nobody granted that
	}
	c.wanted.lease = &lease{granted, made}
}
