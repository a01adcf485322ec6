package intake

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"time"

	"lamplighter/coordinator/store"
)

const (
	shortestPause = 100 * time.Millisecond
	longestPause  = 5 * time.Second
)

// answer is what is to follow a commit.
type answer struct {
	group []*message
	fates store.Fates
}

// store stores a group, however long it takes, and has it answered. When ctx ends
// first, nothing is answered.
func (in *Intake) store(ctx context.Context, group []*message, stored chan<- answer) {
	reports := join(group)
	for pause := shortestPause; ; pause = min(2*pause, longestPause) {
		began := time.Now()
		fates, err := in.options.Store.StoreReports(ctx, reports)
		switch {
		case err == nil:
			in.metrics.storing.Observe(time.Since(began).Seconds())
			stored <- answer{group, fates}
			return
		case ctx.Err() != nil:
			return
		case store.RefusesData(err) && len(group) > 1:
			for _, m := range group {
				in.store(ctx, []*message{m}, stored)
			}
			return
		case store.RefusesData(err):
			in.giveUp(group[0], err)
			return
		}
		in.metrics.failures.Inc()
		if in.limiter.allows("database", time.Now()) {
			in.logger.Error("the database takes no reports: they wait here and at the agents, and nothing is lost",
				slog.Any("error", err), slog.Int("messages", len(group)), slog.Duration("again_in", pause))
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause/2 + rand.N(pause/2)):
		}
	}
}

// giveUp deals with a message that the database will never take.
func (in *Intake) giveUp(m *message, err error) {
	in.refused(m.delivery.Topic, refuse(NotStorable, "the database refuses what %s said, which is a fault in this program: %v", m.address.Beacon, err))
	m.delivery.Done()
	in.leave(m)
}

func join(group []*message) (reports store.Reports) {
	reports.Records = make([]store.Record, 0, countRecords(group))
	for _, m := range group {
		reports.Records = append(reports.Records, m.reports.Records...)
		reports.Health = append(reports.Health, m.reports.Health...)
		reports.Presence = append(reports.Presence, m.reports.Presence...)
	}
	return reports
}

// answer follows a commit, while the next group is stored: word to the broker,
// then receipts to the agents.
func (in *Intake) answer(a answer, receipts *due) {
	in.count(a.group, a.fates)
	now := time.Now()
	for _, m := range a.group {
		m.delivery.Done()
		in.metrics.lag.Observe(now.Sub(m.received).Seconds())
	}
	receipts.add(a.group)
	in.leave(a.group...)
}

func (in *Intake) count(group []*message, fates store.Fates) {
	in.metrics.group.Observe(float64(len(fates.Records)))
	for _, verdict := range fates.Health {
		in.metrics.live.WithLabelValues("health", string(verdict)).Inc()
	}
	for _, verdict := range fates.Presence {
		in.metrics.live.WithLabelValues("presence", string(verdict)).Inc()
	}
	i, counts := 0, map[store.RecordFate]float64{}
	for _, m := range group {
		for _, record := range m.reports.Records {
			fate := fates.Records[i]
			i++
			counts[fate]++
			if record.Kind == "unknown" || record.Kind == "outcome" && record.Outcome == nil {
				in.metrics.opaque.Inc()
			}
			if fate == store.RecordConflict && in.limiter.allows("conflict "+record.Beacon, time.Now()) {
				in.logger.Error("cloned identity: a beacon sent a record whose number was taken by another one; both are kept. Look for a second device with this beacon's configuration",
					slog.String("beacon", record.Beacon), slog.String("boot", record.Boot), slog.Int64("seq", record.Seq))
			}
		}
	}
	for fate, n := range counts {
		in.metrics.records.WithLabelValues(string(fate)).Add(n)
	}
}
