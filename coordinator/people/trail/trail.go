// Package trail is the chain that makes changes to the record of who did what
// visible.
//
// Each entry holds the digest of the one before it, and its own digest covers
// that and everything in it. Whoever changes, removes or inserts an entry has to
// make every later one anew; whoever has noted a later digest elsewhere (on
// paper, in a mail, in a backup) sees it. Cutting off the end is seen only by
// comparison with a digest that was noted.
package trail

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"time"
)

// Outcome says what became of what was asked.
type Outcome string

// The outcomes. Whatever changes something has an entry before it begins (asked)
// and one after it.
const (
	Asked   Outcome = "asked"
	Done    Outcome = "done"
	Refused Outcome = "refused" // they may not
	Failed  Outcome = "failed"
)

// Entry is one line of the trail.
type Entry struct {
	Number   int64 // from 1, without gaps
	At       time.Time
	Person   string // empty: nobody was known
	From     string `db:"came_from"` // the address
	Via      string // session, token, loopback, start
	Action   string // the method
	Site     string // empty: none in particular
	Outcome  Outcome
	Details  string // JSON: what was asked, or what was before and after
	Previous []byte // the digest of the entry before; 32 zeros for the first
	Digest   []byte
}

// purpose keeps these digests apart from all others.
const purpose = "lamplighter trail 1"

// First is what the first entry holds as the digest before it.
func First() []byte { return make([]byte, sha256.Size) }

// Sum is the digest of an entry: SHA-256 over the purpose and each field, with
// its length before it, in the order above. Times count in microseconds, which
// is what the database keeps.
func (e Entry) Sum() []byte {
	h := sha256.New()
	field := func(b []byte) {
		_ = binary.Write(h, binary.BigEndian, uint64(len(b))) // a hash takes everything
		h.Write(b)
	}
	number := func(n int64) { field(binary.BigEndian.AppendUint64(nil, uint64(n))) }
	field([]byte(purpose))
	number(e.Number)
	number(e.At.UnixMicro())
	for _, text := range []string{e.Person, e.From, e.Via, e.Action, e.Site, string(e.Outcome), e.Details} {
		field([]byte(text))
	}
	field(e.Previous)
	return h.Sum(nil)
}

// After makes an entry the next one.
func (e Entry) After(number int64, digest []byte) Entry {
	e.Number, e.Previous = number+1, digest
	e.At = e.At.UTC().Truncate(time.Microsecond)
	e.Digest = e.Sum()
	return e
}

// Reason says what is wrong with a chain.
type Reason string

// The reasons.
const (
	Whole    Reason = ""
	Gap      Reason = "gap"       // entries are missing before this one
	Broken   Reason = "broken"    // it does not follow from the one before it
	Changed  Reason = "changed"   // it is not what was written
	Differs  Reason = "differs"   // from the digest that was noted
	CutShort Reason = "cut_short" // the end that was noted is not there
)

// Checker checks a chain, entry by entry.
type Checker struct {
	Count int64  // entries that are in order
	Head  []byte // the digest of the last one
}

// Next checks the next entry.
func (c *Checker) Next(e Entry) Reason {
	if c.Head == nil {
		c.Head = First()
	}
	switch {
	case e.Number != c.Count+1:
		return Gap
	case !bytes.Equal(e.Previous, c.Head):
		return Broken
	case !bytes.Equal(e.Digest, e.Sum()):
		return Changed
	}
	c.Count, c.Head = e.Number, e.Digest
	return Whole
}
