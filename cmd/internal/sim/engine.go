package sim

import "time"

// engine is the order of what happens: by true time, and at one time in the
// order in which it was asked for.
type engine struct {
	now   time.Duration // true time since the start
	queue []event       // a heap, each with four below it: of thousands, most wait for long
	asked uint64
	trace trace
}

type event struct {
	at    time.Duration
	order uint64
	do    func()
}

func (e event) before(other event) bool {
	return e.at < other.at || e.at == other.at && e.order < other.order
}

// at has something done at a true time, now at the earliest.
func (e *engine) at(when time.Duration, do func()) {
	e.asked++
	e.queue = append(e.queue, event{max(when, e.now), e.asked, do})
	for i := len(e.queue) - 1; i > 0; {
		parent := (i - 1) / 4
		if !e.queue[i].before(e.queue[parent]) {
			return
		}
		e.queue[i], e.queue[parent] = e.queue[parent], e.queue[i]
		i = parent
	}
}

// after has something done after a while.
func (e *engine) after(d time.Duration, do func()) { e.at(e.now+d, do) }

// run lets everything happen up to a true time.
func (e *engine) run(until time.Duration) {
	for len(e.queue) > 0 && e.queue[0].at <= until {
		next := e.pop()
		e.now = next.at
		next.do()
	}
	e.now = until
}

func (e *engine) pop() event {
	q := e.queue
	top, last := q[0], len(q)-1
	q[0] = q[last]
	q[last] = event{}
	q = q[:last]
	for i := 0; ; {
		least := i
		for child := 4*i + 1; child < min(4*i+5, last); child++ {
			if q[child].before(q[least]) {
				least = child
			}
		}
		if least == i {
			break
		}
		q[i], q[least] = q[least], q[i]
		i = least
	}
	e.queue = q
	return top
}

// trace is a hash of all that happened: two runs that have it in common were
// the same.
type trace uint64

const traceStart trace = 14695981039346656037 // FNV-1a, 64 bits

func (t *trace) number(n uint64) {
	for range 8 {
		*t = (*t ^ trace(n&0xff)) * 1099511628211
		n >>= 8
	}
}

func (t *trace) text(s string) {
	for i := range len(s) {
		*t = (*t ^ trace(s[i])) * 1099511628211
	}
	t.number(uint64(len(s)))
}

// happened notes that something happened.
func (e *engine) happened(what, who string, number uint64) {
	e.trace.number(uint64(e.now))
	e.trace.text(what)
	e.trace.text(who)
	e.trace.number(number)
}
