package intake

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"golang.org/x/sync/semaphore"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// Storer is where reports are stored: *store.Store.
type Storer interface {
	StoreReports(ctx context.Context, reports store.Reports) (store.Fates, error)
}

// Options are what an Intake works with; all are needed.
type Options struct {
	Store     Storer
	Publisher broker.Publisher
	Signer    *seal.Signer
	// Network is the id of the network that is looked after.
	Network string
	// Known says whether a beacon is in the present fleet.
	Known func(beacon string) bool
	// SlotLength is that of the present fleet.
	SlotLength func() slot.Length
	Logger     *slog.Logger
	Metrics    prometheus.Registerer
}

// The queues' bounds, in messages; and how many bytes of records wait at most,
// so that many small messages can be stored together and a few large ones don't
// fill the memory.
const (
	liveQueue    = 1024
	recordsQueue = groupRecords
	recordsRoom  = 32 << 20
)

// Intake stores what agents say.
type Intake struct {
	options Options
	rules   rules
	logger  *slog.Logger
	metrics *metrics
	limiter limiter

	lanes [lanes]lane
	room  *semaphore.Weighted // bytes of records, from Handle until they are dealt with
	ended chan struct{}
}

// New makes an intake. It takes nothing before Run is called.
func New(options Options) *Intake {
	in := &Intake{
		options: options,
		rules:   rules{options.Network, options.Known, options.SlotLength},
		logger:  options.Logger,
		metrics: newMetrics(options.Metrics),
		room:    semaphore.NewWeighted(recordsRoom),
		ended:   make(chan struct{}),
	}
	for i := range in.lanes {
		in.lanes[i].open()
	}
	return in
}

// ErrEnded is what Handle returns when Run has ended.
var ErrEnded = errors.New("the intake has ended and takes nothing any more")

// Handle takes a delivery of records, health or presence. It returns as soon as
// the delivery waits in the queue or is refused for good, and blocks while the
// queue is full. After an error the delivery is not dealt with, and its Done is
// never called: the broker or the agent will bring it again.
func (in *Intake) Handle(ctx context.Context, delivery broker.Delivery) error {
	m := &message{delivery: delivery, received: time.Now()}
	if refusal := in.rules.walk(m); refusal != nil {
		in.refused(delivery.Topic, refusal)
		delivery.Done()
		return nil
	}
	for _, refusal := range m.bad {
		in.refused(delivery.Topic, refusal)
	}
	m.lane = in.lane(m.address.Beacon)
	queue := m.lane.live
	if m.kind == topic.Records {
		queue = m.lane.records
		if err := in.waitForRoom(ctx, m); err != nil {
			return err
		}
	}
	size := m.size() // it is others' once it is in
	m.lane.inside.Add(1)
	select {
	case queue <- m:
		m.lane.came(size)
		return nil
	case <-ctx.Done():
		in.leave(m)
		return ctx.Err()
	case <-in.ended:
		in.leave(m)
		return ErrEnded
	}
}

// waitForRoom waits until the bytes of a message fit in beside those that wait.
func (in *Intake) waitForRoom(ctx context.Context, m *message) error {
	if in.room.TryAcquire(m.bytes()) {
		return nil
	}
	waiting, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-in.ended:
			cancel()
		case <-waiting.Done():
		}
	}()
	err := in.room.Acquire(waiting, m.bytes())
	if err != nil && ctx.Err() == nil {
		return ErrEnded
	}
	return err
}

// bytes is the room that a message takes.
func (m *message) bytes() int64 { return int64(len(m.delivery.Payload)) }

// leave gives back the room of messages that are dealt with, or did not come in.
func (in *Intake) leave(group ...*message) {
	for _, m := range group {
		if m.kind == topic.Records {
			in.room.Release(m.bytes())
		}
		m.lane.inside.Add(-1)
	}
}

// Run empties the queues into the store until ctx ends. It may be called once.
func (in *Intake) Run(ctx context.Context) {
	defer close(in.ended)
	var running sync.WaitGroup
	for i := range in.lanes {
		l := &in.lanes[i]
		stored, receipts := make(chan answer, 1), &due{bell: make(chan struct{}, 1), rest: make(chan struct{}, 1)}
		running.Go(func() {
			defer close(stored)
			for group := l.collect(ctx); len(group) > 0; group = l.collect(ctx) {
				in.store(ctx, group, stored)
			}
		})
		running.Go(func() {
			for a := range stored {
				in.answer(a, receipts)
				if l.inside.Load() == 0 {
					ring(receipts.rest)
				}
			}
		})
		running.Go(func() { in.sendReceipts(ctx, receipts) })
	}
	running.Wait()
}
