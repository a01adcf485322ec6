package keyer

import (
	"crypto/sha256"
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

// verdict is an answer that waits for the disk.
type verdict struct {
	kind   string
	digest [sha256.Size]byte
}

// store keeps what is in force apart from what is on its way to be. At most one
// write is under way, and the verdicts that it covers wait for it.
type store struct {
	onDisk  record // on disk: what orders, lease and envelope count by
	wanted  record // accepted: what numbers count by, and silence
	written record // being written
	writing bool
	waiting []verdict
	covered int           // of those waiting, how many the write covers
	storeAt time.Duration // no sooner, after a failure

	remembered Reason // the trip that the machine's memory holds
}

// judge takes a sealed message. A refusal is answered at once, the rest when it
// is on disk.
func (c *Core) judge(kind string, sealed []byte, take func([]byte) *refusal) {
	v := verdict{kind, sha256.Sum256(sealed)}
	no := take(sealed)
	switch {
	case no != nil:
		c.answer(v, no)
	case len(c.waiting) >= maxWaiting:
		c.answer(v, refuse(Busy, "accepted, and the disk has yet to take it; send it again"))
	default:
		c.waiting = append(c.waiting, v)
	}
}

func (c *Core) answer(v verdict, no *refusal) {
	m := &keyerv1.Verdict{Kind: v.kind, Digest: v.digest[:]}
	if no != nil {
		m.Refusal, m.Sentence = string(no.reason), no.sentence
	}
	c.reply(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Verdict{Verdict: m}})
}

// save starts a write where one is needed and none is under way, and answers
// what needs none. A trip is remembered until the disk says that it is over.
func (c *Core) save() {
	if tripped := c.trippedOn(); tripped != c.remembered {
		c.remembered = tripped
		c.do(Remember{tripped})
	}
	if c.writing {
		return
	}
	if c.wanted == c.onDisk {
		c.accept(len(c.waiting))
		return
	}
	if len(c.waiting) == 0 && c.now.Boot < c.storeAt {
		return
	}
	c.writing, c.written, c.covered = true, c.wanted, len(c.waiting)
	c.do(Persist{c.written.encode()})
}

// accept answers the first n that wait.
func (c *Core) accept(n int) {
	for _, v := range c.waiting[:n] {
		c.answer(v, nil)
	}
	c.waiting = c.waiting[n:]
}

// stored takes the result of a write. What could not be written does not
// count, but for silence, which does and is tried again.
func (c *Core) stored(err error) {
	if !c.writing {
		panic("a write that nobody asked for")
	}
	c.writing = false
	c.rearmStored(err)
	if err == nil {
		c.onDisk = c.written
		c.accept(c.covered)
		return
	}
	c.wanted.envelope, c.wanted.orders, c.wanted.lease = c.onDisk.envelope, c.onDisk.orders, c.onDisk.lease
	if c.wanted.tripped == "" {
		c.wanted.tripped = c.onDisk.tripped
	}
	c.storeAt = c.now.Boot + storeAgain
	for _, v := range c.waiting {
		detail := "%v"
		if v.kind == kindHush {
			detail = "what is hushed is silent all the same, until this process ends: %v"
		}
		c.answer(v, refuse(NotOnDisk, detail, err))
	}
	c.waiting = nil
}
