package dispatch

import (
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

// desk gathers the requests that come while others are decided on, and has all
// of them decided in one transaction: a thousand at once cost not much more than
// one. Of a beacon only one is decided at a time, since the second is judged by
// what was stored of the first.
type desk struct {
	decide func([]*petition) error

	mu      sync.Mutex
	waiting []*petition
	busy    bool      // somebody leads a group, or is about to
	began   time.Time // when the latest group was taken
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
	d.waiting = append(d.waiting, p)
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
	var left []*petition
	for _, p := range d.waiting {
		if there[p.request.Beacon] || len(group) == mostPetitions {
			left = append(left, p)
			continue
		}
		there[p.request.Beacon] = true
		group = append(group, p)
	}
	d.waiting = left
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
