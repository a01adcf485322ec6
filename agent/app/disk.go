package app

import (
	"lamplighter/agent/core"
	"lamplighter/agent/outbox"
)

// disk does what the core wants done on the outbox, one thing after another, on
// a goroutine of its own. The core never has more than one commit, one fetch and
// one deletion unanswered, so neither channel ever fills.
type disk struct {
	box      *outbox.Outbox
	requests chan core.Action
	results  chan core.Event
	done     chan struct{}
}

func startDisk(box *outbox.Outbox) *disk {
	d := &disk{box: box, requests: make(chan core.Action, 4), results: make(chan core.Event, 4), done: make(chan struct{})}
	go func() {
		defer close(d.done)
		for request := range d.requests {
			d.results <- d.do(request)
		}
	}()
	return d
}

func (d *disk) do(request core.Action) core.Event {
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

// stop waits for what is under way and closes the outbox.
func (d *disk) stop() error {
	close(d.requests)
	<-d.done
	return d.box.Close()
}
