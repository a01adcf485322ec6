package app

import (
	"errors"

	"lamplighter/agent/core"
	"lamplighter/agent/outbox"
)

// disk does what the core wants done on the outbox, one thing after another, on
// a goroutine of its own. The core never has more than one commit, one fetch and
// one deletion unanswered, so neither channel ever fills.
type disk struct {
	folder, run string
	box         *outbox.Outbox // nil: it can't be opened
	trouble     error          // why
	repaired    chan struct{}
	requests    chan core.Action
	results     chan core.Event
	done        chan struct{}
}

// openDisk opens the outbox. One that can't be opened is no error, and every task
// fails on it; one that another agent uses is.
func openDisk(folder, run string) (*disk, core.Restored, error) {
	box, restored, err := outbox.Open(folder, run)
	if errors.Is(err, outbox.ErrInUse) {
		return nil, restored, err
	}
	return &disk{
		folder: folder, run: run, box: box, trouble: err, repaired: make(chan struct{}),
		requests: make(chan core.Action, 4), results: make(chan core.Event, 4), done: make(chan struct{}),
	}, restored, nil
}

func (d *disk) start() {
	go func() {
		defer close(d.done)
		for request := range d.requests {
			d.results <- d.do(request)
		}
	}()
}

func (d *disk) do(request core.Action) core.Event {
	if d.box == nil {
		return d.fail(request)
	}
	switch r := request.(type) {
	case core.Commit:
		if err := d.box.Commit(r); err != nil {
			return core.CommitFailed{ID: r.ID, Sentence: err.Error()}
		}
		return core.Committed{ID: r.ID, Room: d.box.Room()}
	case core.Delete:
		failed := d.box.Delete(r.Ranges) != nil
		return core.Deleted{Failed: failed, Room: d.box.Room()}
	case core.Fetch:
		fetched, err := d.box.Fetch(r)
		if err != nil {
			return core.FetchFailed{Sentence: err.Error()}
		}
		return fetched
	default:
		panic("the disk has no such task")
	}
}

// fail answers without an outbox. The core commits again and again; each time it
// is tried whether there is one now.
func (d *disk) fail(request core.Action) core.Event {
	switch r := request.(type) {
	case core.Commit:
		d.tryOpen()
		return core.CommitFailed{ID: r.ID, Sentence: d.trouble.Error()}
	case core.Delete:
		return core.Deleted{Failed: true}
	default:
		return core.FetchFailed{Sentence: d.trouble.Error()}
	}
}

// tryOpen leaves what it can open as it is: the next agent reads it.
func (d *disk) tryOpen() {
	box, _, err := outbox.Open(d.folder, d.run)
	if err == nil {
		err = box.Close()
	}
	if err != nil {
		d.trouble = err
		return
	}
	select {
	case <-d.repaired:
	default:
		close(d.repaired)
	}
}

// stop waits for what is under way and closes the outbox.
func (d *disk) stop() error {
	close(d.requests)
	<-d.done
	return d.close()
}

func (d *disk) close() error {
	if d.box == nil {
		return nil
	}
	return d.box.Close()
}
