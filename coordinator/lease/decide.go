package lease

import (
	"fmt"
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/planted"
)

// Format is the format of the messages that are written here: an agent that
// reads only lower ones can't obey them.
const Format = 1

// Fresh is how long after its last word a run counts as alive.
const Fresh = 60 * time.Second

// late is by how much the last words of a kernel may be stored after the first
// of the next one: they may have waited for the database.
const late = 5 * time.Second

// longest is how long each kind of control may go on without the coordinator.
// Remote control: 47 CFR 97.213(b), three minutes after the control link failed.
// Local: eight hours at most; automatic: a quarter of the 24 hours that are the
// most a keyer accepts.
var longest = map[fleet.Control]time.Duration{
	fleet.Remote:    180 * time.Second,
	fleet.Automatic: 6 * time.Hour,
	fleet.Local:     8 * time.Hour,
}

// Why a lease is refused, besides what may stand in the way of a use.
const (
	NotLeader      Reason = "not_leader"      // another coordinator gives leases
	UnknownBeacon  Reason = "unknown_beacon"  // the fleet has no such beacon
	UpdateNeeded   Reason = "update_needed"   // the agent can't read what is written here
	ClonedIdentity Reason = "cloned_identity" // another device with this identity is alive
	OtherKernel    Reason = "other_kernel"    // it may have been started anew, or be a second device: time will tell
	UnknownOrders  Reason = "unknown_orders"  // it holds orders that were never written here

	NoControlOperator Reason = "no_control_operator" // its site needs somebody in control, and nobody is
)

// Request is what a beacon says when it asks.
type Request struct {
	Beacon, Run, BootID string
	Held                Number // the orders that it holds; zero: none
	Reader              uint32 // the highest format that it reads
}

// Holder is the run that asked before.
type Holder struct {
	Run       string // empty: none ever did
	FormerRun string // the run before it; empty: none
	BootID    string
	Heard     time.Time // when it was heard last
	Rival     string    // the boot id of another kernel that asked meanwhile; empty: none did
	RivalAt   time.Time // when that asked first
}

// Known is what a request is decided by, besides the book.
type Known struct {
	Holder    Holder
	HeldKnown bool      // the orders that it holds were written here, or it holds none
	Duty      time.Time // until when somebody is in control of its site; zero: nobody is
	Now       time.Time
}

// Term is how long one kind of control may go on, from when the beacon asked.
type Term struct {
	Control fleet.Control
	Length  time.Duration
}

// Decision is the answer to a request.
type Decision struct {
	Refusal  Reason    // empty: granted
	Sentence string    // why it is refused or shortened, for people; empty: neither
	Terms    []Term    // one for each kind of control that the beacon's bands have
	Until    time.Time // the end of the longest, counted from Known.Now
	Barred   bool      // what another may obey has shortened it, or left nothing
	Holder   Holder    // who holds the beacon's identity from now on
	Former   Former    // what a kernel that held it before may still obey
	Twice    string    // what to tell people of two devices with one identity; empty: nothing
}

func (d Decision) refuse(reason Reason, format string, args ...any) Decision {
	d.Refusal, d.Sentence = reason, fmt.Sprintf(format, args...)
	return d
}

// Decide answers a request. It changes nothing: whoever acts on the answer
// notes what the beacon holds (Follow, Hold) and, once it is stored, what it is
// granted (Extend).
func (b *Book) Decide(r Request, k Known) Decision {
	d := Decision{Holder: k.Holder.next(r, k.Now), Former: b.former(r, k)}
	if k.Holder.proves(r, k.Now) {
		d.Twice = fmt.Sprintf("another device speaks as %s, heard %d s ago: switch one of them off", r.Beacon, int(k.Now.Sub(k.Holder.spoke(r)).Seconds()))
	}
	if k.Holder.rivals(r, k.Now) {
		if d.Twice != "" {
			return d.refuse(ClonedIdentity, "%s", d.Twice)
		}
		return d.refuse(OtherKernel, "%s was heard %d s ago on another kernel: if this is it, started anew, it gets its lease %d s after that", r.Beacon, int(k.Now.Sub(k.Holder.Heard).Seconds()), int(Fresh.Seconds()))
	}
	beacon := b.fleet.Beacon(r.Beacon)
	if beacon == nil {
		return d.refuse(UnknownBeacon, "the fleet in force has no beacon %s", r.Beacon)
	}
	if r.Reader < Format {
		return d.refuse(UpdateNeeded, "the agent reads formats up to %d, and orders have format %d: update it", r.Reader, Format)
	}
	if !k.HeldKnown {
		return d.refuse(UnknownOrders, "it holds orders %d.%d, which were never written here: new ones are on their way", r.Held.Epoch, r.Held.Revision)
	}
	return b.grant(d, beacon, r.Held, k)
}

// former is what kernels before that of a request may still obey. What it says
// to hold, it says of itself alone: the lease of the one before may run on, in a
// device that nobody reaches.
func (b *Book) former(r Request, k Known) Former {
	h := b.look(r.Beacon)
	f := h.former
	if !f.Until.After(k.Now) {
		f = Former{}
	}
	if k.Holder.BootID == "" || k.Holder.BootID == r.BootID || !h.until.After(k.Now) || planted.Is("S8 a former kernel is forgotten") {
		return f
	}
	if f.Until.IsZero() || h.held.Compare(f.Held) < 0 {
		f.Held = h.held
	}
	f.Until = h.until
	return f
}

// grant gives the longest lease that harms nobody.
func (b *Book) grant(d Decision, beacon *fleet.Beacon, held Number, k Known) Decision {
	now := k.Now
	if d.Terms = underControl(terms(beacon), beacon, k); len(d.Terms) == 0 {
		return d.refuse(NoControlOperator, "nobody is in control of site %s, which needs somebody on duty: lamplighter duty start %[1]s", beacon.Site.Name)
	}
	var most time.Duration
	for _, term := range d.Terms {
		most = max(most, term.Length)
	}
	reach, obstacle := b.Reach(beacon.Name, held, now, now.Add(most+Skew))
	room := reach.Sub(now) - Skew
	d.Barred = !obstacle.none()
	if room <= 0 {
		d.Terms = nil
		return d.refuse(obstacle.Reason, "it may hold orders that would now harm what %s sends: waiting until it has confirmed the latest", obstacle.By)
	}
	if d.Barred {
		d.Sentence = fmt.Sprintf("shortened: it may hold orders that would later harm what %s sends", obstacle.By)
	}
	for i, term := range d.Terms {
		d.Terms[i].Length = min(term.Length, room)
	}
	d.Until = now.Add(min(most, room))
	if planted.Is("S8 a lease is noted as the shortest there is") {
		d.Until = now.Add(min(longest[fleet.Remote], room))
	}
	return d
}

// underControl takes the term of remote control out where its site needs
// somebody in control and nobody is, and lets none outlast who is.
func underControl(all []Term, beacon *fleet.Beacon, k Known) []Term {
	if !beacon.Site.DutyRequired {
		return all
	}
	var left []Term
	for _, term := range all {
		if term.Control == fleet.Remote {
			term.Length = min(term.Length, k.Duty.Sub(k.Now))
		}
		if term.Length > 0 {
			left = append(left, term)
		}
	}
	return left
}

func terms(beacon *fleet.Beacon) []Term {
	var list []Term
	for _, control := range []fleet.Control{fleet.Local, fleet.Remote, fleet.Automatic} {
		if slices.ContainsFunc(beacon.Bands, func(use fleet.BandUse) bool { return use.Control == control }) {
			list = append(list, Term{control, longest[control]})
		}
	}
	return list
}

// rivals says whether a request gets nothing because another run is alive.
// Another run on the same kernel is the same device, started anew; but a run
// that was replaced so and comes back is alive beside the one that replaced it.
func (h Holder) rivals(r Request, now time.Time) bool {
	if planted.Is("S13 a second device is served") {
		return false
	}
	if h.Run == "" || h.Run == r.Run || now.Sub(h.Heard) >= Fresh {
		return false
	}
	return h.BootID != r.BootID || h.FormerRun == r.Run
}

// proves says whether a request shows that there are two devices: of two runs
// that follow one another the first never speaks again, so that one which does
// has not ended.
func (h Holder) proves(r Request, now time.Time) bool {
	switch {
	case h.BootID == r.BootID && h.Rival != "":
		return true
	case !h.rivals(r, now):
		return false
	}
	return h.FormerRun == r.Run || h.Rival == r.BootID && h.Heard.Sub(h.RivalAt) > late
}

// spoke is when the other of two devices was heard, as far as is known.
func (h Holder) spoke(r Request) time.Time {
	if h.BootID == r.BootID && h.Rival != "" {
		return h.RivalAt
	}
	return h.Heard
}

// next is who holds the identity after a request.
func (h Holder) next(r Request, now time.Time) Holder {
	if h.rivals(r, now) {
		if h.BootID != r.BootID && h.Rival != r.BootID {
			h.Rival, h.RivalAt = r.BootID, now
		}
		return h
	}
	next := Holder{Run: r.Run, BootID: r.BootID, Heard: now, FormerRun: h.FormerRun}
	if h.Run != r.Run {
		next.FormerRun = h.Run
	}
	return next
}
