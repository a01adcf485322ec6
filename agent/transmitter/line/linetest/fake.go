// Package linetest has lines in memory.
package linetest

import "sync"

// Fake is a line in memory. Its methods and switches may be used from any
// goroutine.
type Fake struct {
	mu            sync.Mutex
	active, stuck bool
	fail          error
	changed       func(active bool)
	closed        bool
}

// New makes an inactive line that tells of each change, if changed is not nil.
func New(changed func(active bool)) *Fake { return &Fake{changed: changed} }

// Set changes the line, unless it sticks or fails.
func (f *Fake) Set(active bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.fail != nil {
		return f.fail
	}
	if f.stuck || f.active == active {
		return nil
	}
	f.active = active
	if f.changed != nil {
		f.changed(active)
	}
	return nil
}

// Active reads the line.
func (f *Fake) Active() (bool, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.active, f.fail
}

// Is reads the line from outside.
func (f *Fake) Is() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.active
}

// Close makes the line inactive and lets go of it.
func (f *Fake) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed = true
	if !f.stuck {
		f.active = false
	}
	return f.fail
}

// Closed says whether the line was let go.
func (f *Fake) Closed() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.closed
}

// Stick makes the line keep its level whatever it is set to.
func (f *Fake) Stick(stuck bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.stuck = stuck
}

// Fail makes every call fail; nil ends that.
func (f *Fake) Fail(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.fail = err
}
