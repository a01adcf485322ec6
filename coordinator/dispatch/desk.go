package dispatch

import (
	"errors"
	"sync"
	"time"

	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// mostPetitions is how many requests are decided on in one transaction.
const mostPetitions = 500

// gatherFor is how long after a group began the next one does at the soonest: so
// thousands that each ask every few minutes cost five commits a second, not one
// each. What comes after a quiet moment waits for nothing.
const gatherFor = 200 * time.Millisecond

// petition is a request for a lease on its way to a decision.
type petition struct {
	asked    *wirev1.LeaseRequest
	request  lease.Request
	known    lease.Known
	decision lease.Decision
	err      error
	ready    chan struct{} // it is decided, or the one at whose turn it is
	turn     bool          // it is to lead the next group
}

// errOvertaken is for a request whose asker has asked again before anybody came to
// it: it waits for that answer, and would not look at this one.
var errOvertaken = errors.New("its beacon has asked again meanwhile")

// asker is who waits for one answer: of a beacon, two devices may ask.
type asker struct{ beacon, run, kernel string }

func (p *petition) asker() asker {
	return asker{p.request.Beacon, p.asked.GetRun(), p.asked.GetBootId()}
}

// desk gathers the requests that come while others are decided on, and has all
// of them decided in one transaction: a thousand at once cost not much more than
// one. Of a beacon only one is decided at a time, since the second is judged by
// what was stored of the first. A request takes the place of an older one of the
// same asker: otherwise thousands who ask again while the database is slow would
// only ever be answered what they asked before, and would ask again.
type desk struct {
	decide func([]*petition) error

	mu      sync.Mutex
	waiting []*petition
	places  map[asker]int // of those that wait, in waiting
	busy    bool          // somebody leads a group, or is about to
	began   time.Time     // when the latest group was taken
}

func newDesk(t *term) *desk {
	return &desk{decide: func(group []*petition) error {
		// Whoever has lost the lead gives no more leases, and waits for nothing that
		// was under way: others wait for the book.
		err := t.decideAll(t.board.ctx, group)
		if store.RefusesData(err) && len(group) > 1 { // one of them is at fault, and not all are to suffer for it
			for _, p := range group {
				p.err = t.decideAll(t.board.ctx, []*petition{p})
			}
			err = nil
		}
		if err != nil {
			return err
		}
		t.tellUnhushed(t.board.ctx, group)
		return nil
	}}
}

// ask returns when a request is decided on and the decision is stored.
func (d *desk) ask(asked *wirev1.LeaseRequest) (lease.Decision, error) {
	p := &petition{asked: asked, request: orders.Asked(asked), ready: make(chan struct{})}
	d.mu.Lock()
	d.join(p)
	wait := d.busy
	d.busy = true
	d.mu.Unlock()
	if wait {
		<-p.ready
		if !p.turn {
			return p.decision, p.err
		}
	}
	if early := gatherFor - time.Since(d.lastBegan()); early > 0 {
		<-time.After(early)
	}
	group := d.next()
	err := d.decide(group)
	for _, of := range group {
		if err != nil {
			of.err = err
		}
		if of != p {
			close(of.ready)
		}
	}
	d.pass()
	return p.decision, p.err
}

// join puts a request where one of the same asker waits, else behind all others.
// One that is to lead the next group stays. Call it with the lock held.
func (d *desk) join(p *petition) {
	if i, waits := d.places[p.asker()]; waits && !d.waiting[i].turn {
		former := d.waiting[i]
		former.err = errOvertaken
		d.waiting[i] = p
		close(former.ready)
		return
	}
	d.waiting = append(d.waiting, p)
	d.place()
}

// place notes where the last that waits is.
func (d *desk) place() {
	if d.places == nil {
		d.places = map[asker]int{}
	}
	d.places[d.waiting[len(d.waiting)-1].asker()] = len(d.waiting) - 1
}

func (d *desk) lastBegan() time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.began
}

// next takes the next group: the first that waits is in it, and no beacon twice.
func (d *desk) next() (group []*petition) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.began = time.Now()
	there := map[string]bool{}
	all := d.waiting
	d.waiting, d.places = nil, nil
	for _, p := range all {
		if there[p.request.Beacon] || len(group) == mostPetitions {
			d.waiting = append(d.waiting, p)
			d.place()
			continue
		}
		there[p.request.Beacon] = true
		group = append(group, p)
	}
	return group
}

// pass has the first that waits lead the next group.
func (d *desk) pass() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.waiting) == 0 {
		d.busy = false
		return
	}
	d.waiting[0].turn = true
	close(d.waiting[0].ready)
}
