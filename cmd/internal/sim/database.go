package sim

import (
	"maps"
	"slices"
	"time"

	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/plan"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// database is a model of the coordinator's tables, by what package store
// promises: a transaction is all or nothing, and what a leader writes counts only
// while its epoch is the latest.
type database struct {
	epoch   uint64
	holder  *coordinator // whose session has the lock; nil: nobody's
	holding uint64       // in which run
	away    bool
	wrong   time.Duration // its clock less true time

	orders  map[string][]orders.Orders // by beacon; of all but the latest only the number
	slots   map[string][]*standing
	leases  map[string]*leaseRow
	hushes  []*hushRow
	bound   map[string][]int // beacon → indices of hushes in force
	states  map[string]hushState
	plan    *plan.Plan
	records map[recordKey]string // to what it says
	sent    []plan.Transmission
	ledger  []entry
}

type standing struct {
	use            lease.Use
	opened, closed lease.Number
}

type leaseRow struct {
	holder lease.Holder
	held   lease.Number
	end    time.Time
	former lease.Former
}

type hushRow struct {
	orders.Hush
	given    time.Duration // true time
	released bool
}

type hushState struct {
	number  lease.Number
	payload []byte
}

type recordKey struct {
	beacon, boot string
	seq          uint64
}

func newDatabase() database {
	return database{
		orders: map[string][]orders.Orders{}, slots: map[string][]*standing{}, leases: map[string]*leaseRow{},
		bound: map[string][]int{}, states: map[string]hushState{}, records: map[recordKey]string{},
	}
}

// saveOrders opens and closes slots as store.SaveOrders does.
func (db *database) saveOrders(o orders.Orders) {
	if list := db.orders[o.Beacon]; len(list) > 0 {
		last := &list[len(list)-1]
		*last = orders.Orders{Beacon: last.Beacon, Number: last.Number}
	}
	db.orders[o.Beacon] = append(db.orders[o.Beacon], o)
	stays := map[lease.Use]bool{}
	for _, use := range o.Uses {
		stays[use] = true
	}
	kept := db.slots[o.Beacon][:0]
	for _, s := range db.slots[o.Beacon] {
		if s.use.Slot < o.From-slot.Number(slot.Standard.PerDay()) {
			continue
		}
		kept = append(kept, s)
		if s.use.Slot < o.From || !s.closed.IsZero() {
			continue
		}
		if !stays[s.use] {
			s.closed = o.Number
		}
		delete(stays, s.use)
	}
	for _, use := range o.Uses {
		if stays[use] {
			kept = append(kept, &standing{use: use, opened: o.Number})
		}
	}
	db.slots[o.Beacon] = kept
}

func (db *database) knows(beacon string, n lease.Number) bool {
	return slices.ContainsFunc(db.orders[beacon], func(o orders.Orders) bool { return o.Number == n })
}

// load is what a new leader begins with, as dispatch loads it.
func (db *database) load(w *orders.Writer, now time.Time) {
	for _, beacon := range slices.Sorted(maps.Keys(db.orders)) {
		list := db.orders[beacon]
		w.Book.LoadLatest(beacon, list[len(list)-1].Number)
	}
	from := w.Fleet.Network.Slot.At(now.Add(-orders.Remember))
	for _, beacon := range slices.Sorted(maps.Keys(db.slots)) {
		for _, s := range db.slots[beacon] {
			held, former := lease.Number{}, lease.Former{}
			if row := db.leases[beacon]; row != nil {
				held, former = row.held, row.former
			}
			if s.use.Slot >= from && (s.closed.IsZero() || s.closed.Compare(held) > 0 || former.Until.After(now) && s.closed.Compare(former.Held) > 0) {
				w.Book.Load(beacon, s.use, s.opened, s.closed)
			}
		}
	}
	for _, beacon := range slices.Sorted(maps.Keys(db.leases)) {
		row := db.leases[beacon]
		w.Book.Hold(beacon, row.held)
		if !row.end.IsZero() {
			w.Book.Extend(beacon, row.end)
		}
		w.Book.Follow(beacon, row.former)
	}
	w.Plan = db.plan
}

// history is what was sent in the week before a time, oldest first.
func (db *database) history(until time.Time) []plan.Transmission {
	since := until.Add(-7 * 24 * time.Hour)
	list := slices.DeleteFunc(slices.Clone(db.sent), func(t plan.Transmission) bool {
		return t.Start.Before(since) || !t.Start.Before(until)
	})
	slices.SortStableFunc(list, func(a, b plan.Transmission) int {
		if order := a.Start.Compare(b.Start); order != 0 {
			return order
		}
		switch {
		case a.Beacon < b.Beacon:
			return -1
		case a.Beacon > b.Beacon:
			return 1
		}
		return 0
	})
	return list
}

// entry is one outcome, as it was first stored.
type entry struct {
	beacon, boot string
	outcome      *wirev1.Outcome
}

// store takes a record in once; the same key with other words is a violation.
func (db *database) store(beacon string, r *wirev1.Record, bytes []byte, w *world) {
	key := recordKey{beacon, r.GetBoot(), r.GetSeq()}
	if before, known := db.records[key]; known {
		w.reach("a record comes again")
		if before != string(bytes) {
			w.oracle.violated("S14", beacon, "record %d of run %s says something else than before", key.seq, key.boot)
		}
		return
	}
	db.records[key] = string(bytes)
	o := r.GetOutcome()
	if o == nil {
		return
	}
	db.ledger = append(db.ledger, entry{beacon, r.GetBoot(), o})
	if o.GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SENT {
		t := o.GetTransmission()
		kind := plan.Full
		if t.GetMessage().GetKind() == wirev1.MessageKind_MESSAGE_KIND_EXTENDED {
			kind = plan.Extended
		}
		db.sent = append(db.sent, plan.Transmission{
			Start: slot.Standard.Start(slot.Number(t.GetSlot())), Beacon: beacon, Band: t.GetBand(),
			FrequencyHz: float64(t.GetFrequencyMillihertz()) / 1000, Message: kind,
		})
	}
}
