package app

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/deliver"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/heard"
	"lamplighter/coordinator/store"
	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
)

// How often the leader looks whether something is wrong: at what changes fast,
// at what takes longer to read, and at what takes hours or days to come about.
const (
	alertsEvery  = 5 * time.Second
	historyEvery = time.Minute
	longerEvery  = 10 * time.Minute
	retryAlerts  = 5 * time.Second // after the database failed
)

// openDelivery makes what brings messages of alerts to people.
func (a *App) openDelivery(context.Context) (err error) {
	settings, err := deliver.ReadSettings(filepath.Join(a.options.Dir, deliver.File))
	if err != nil {
		return err
	}
	a.heart = deliver.NewHeart(settings.Heartbeat, a.options.Log)
	a.delivery, err = deliver.New(deliver.Options{
		Store: a.store, Fleets: a.fleets, Settings: settings, Publisher: a.publisher, Log: a.options.Log,
	})
	return err
}

// lead is what the leader does, until ctx ends or the lead is lost.
func (a *App) lead(ctx context.Context, epoch uint64) error {
	leading, ctx := errgroup.WithContext(ctx)
	leading.Go(func() error { return a.dispatcher.Run(ctx, epoch) })
	leading.Go(func() error { return a.watch(ctx, epoch) })
	leading.Go(func() error { return again(ctx, a, "messages of alerts are not delivered", a.delivery.Run) })
	return leading.Wait()
}

// again runs part until ctx ends, and anew when it fails: alerts that do not
// work are no reason to give up the lead.
func again(ctx context.Context, a *App, what string, part func(context.Context) error) error {
	for {
		err := part(ctx)
		if ctx.Err() != nil || errors.Is(err, store.ErrDeposed) {
			return err
		}
		a.options.Log.Error(what, "error", err)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(retryAlerts):
		}
	}
}

// watch looks for what is wrong while this coordinator leads. After a failure
// everything is taken up again from the database, so that nothing counts that
// was not stored.
func (a *App) watch(ctx context.Context, epoch uint64) error {
	since, err := a.store.Now(ctx)
	if err != nil {
		return err
	}
	return again(ctx, a, "nobody looks whether something is wrong; this is tried again", func(ctx context.Context) error {
		stored, err := a.store.OpenAlerts(ctx)
		if err != nil {
			return err
		}
		w := &watcher{app: a, epoch: epoch, since: since, memory: alert.NewMemory(stored)}
		look := time.NewTicker(alertsEvery)
		defer look.Stop()
		for {
			if err := w.look(ctx); err != nil {
				return err
			}
			a.heart.Beat(ctx)
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-look.C:
			}
		}
	})
}

// watcher looks again and again.
type watcher struct {
	app         *App
	epoch       uint64
	since       time.Time // when this coordinator began to lead
	memory      *alert.Memory
	fresh       store.Observed
	beacons     map[string]alert.Beacon // of the latest observation
	history     store.Observed
	historyAt   time.Time
	longer      store.Observed
	longerAt    time.Time
	heardOff    map[string]*alert.Hearsay // by beacon
	onDuty      map[string]bool
	planMadeAt  time.Time
	connected   bool
	brokerSince time.Time
}

// look observes, decides, and stores what was decided in one transaction.
func (w *watcher) look(ctx context.Context) error {
	a := w.app
	current, _, err := a.fleets.Current(ctx)
	if err != nil || current == nil {
		return err
	}
	observed, err := w.observe(ctx, current)
	if err != nil {
		return err
	}
	given, err := a.store.AlertsGiven(ctx)
	if err != nil {
		return err
	}
	now, err := a.store.Now(ctx)
	if err != nil {
		return err
	}
	changed := w.memory.Step(alert.Look(observed, now), given, now)
	messages := w.memory.Tell(current, now)
	if len(changed) == 0 && len(messages) == 0 {
		return nil
	}
	var fresh []*alert.Alert
	for _, one := range changed {
		if one.Number == 0 {
			fresh = append(fresh, one)
		}
	}
	return a.store.AsLeader(ctx, w.epoch, func(ctx context.Context, tx *store.LeaderTx) error {
		for _, one := range fresh { // the transaction may be run a second time
			one.Number = 0
		}
		return w.save(ctx, tx, changed, messages)
	})
}

func (w *watcher) save(ctx context.Context, tx *store.LeaderTx, changed []*alert.Alert, messages []alert.Message) error {
	unsaved := map[*alert.Alert]bool{}
	for _, a := range changed {
		unsaved[a] = true
	}
	for _, m := range messages {
		if !unsaved[m.Alert] {
			unsaved[m.Alert] = true
			changed = append(changed, m.Alert)
		}
	}
	if err := tx.SaveAlerts(ctx, changed); err != nil {
		return err
	}
	numbers, err := tx.AddMessages(ctx, messages)
	if err != nil {
		return err
	}
	return w.app.delivery.Add(ctx, tx.Tx, numbers)
}

// observe gathers what is known, the slow part of it once a minute.
func (w *watcher) observe(ctx context.Context, f *fleet.Fleet) (*alert.Observation, error) {
	a := w.app
	now, err := a.store.Now(ctx)
	if err != nil {
		return nil, err
	}
	a.started.Lock()
	connected := a.network != nil && a.network.broker.Connected()
	a.started.Unlock()
	if connected && !w.connected {
		w.brokerSince = now
	}
	w.connected = connected
	if now.Sub(w.historyAt) >= historyEvery {
		if err := w.readHistory(ctx, f, now); err != nil {
			return nil, err
		}
	}
	if now.Sub(w.longerAt) >= longerEvery {
		if err := w.readLonger(ctx, f, now); err != nil {
			return nil, err
		}
	}
	began := time.Now()
	fresh, err := a.store.ObserveNow(ctx, w.fresh)
	if err != nil {
		return nil, err
	}
	w.fresh = fresh
	return &alert.Observation{
		Fleet: f, Beacons: w.merge(f, fresh), BrokerAway: !connected, ReadTook: time.Since(began),
		PlanMadeAt: w.planMadeAt, PlanFails: a.dispatcher.PlanFails(), OnDuty: w.onDuty,
		BrokerSince: w.brokerSince, LeadingSince: w.since,
	}, nil
}

// merge puts together what was read at different times, also of a beacon that
// was never heard.
func (w *watcher) merge(f *fleet.Fleet, fresh store.Observed) map[string]alert.Beacon {
	if w.beacons == nil {
		w.beacons = make(map[string]alert.Beacon, len(f.Beacons))
	}
	clear(w.beacons)
	for _, b := range f.Beacons {
		var known alert.Beacon
		if slow := w.history[b.Name]; slow != nil {
			known = *slow
		}
		if slower := w.longer[b.Name]; slower != nil {
			known.Days, known.Supply, known.DeadBands = slower.Days, slower.Supply, slower.DeadBands
		}
		if now := fresh[b.Name]; now != nil {
			known.LastSeen, known.Health, known.HealthAt = now.LastSeen, now.Health, now.HealthAt
			known.LeaseGranted, known.LeaseUntil, known.Cloned = now.LeaseGranted, now.LeaseUntil, now.Cloned
		}
		known.HeardOff = w.heardOff[b.Name]
		w.beacons[b.Name] = known
	}
	return w.beacons
}

// readLonger reads what takes hours or days to come about.
func (w *watcher) readLonger(ctx context.Context, f *fleet.Fleet, now time.Time) (err error) {
	q := store.Longer{LeastSent: heard.UnheardSent, NearM: heard.NearKm * 1000}
	for _, b := range f.Beacons {
		if b.Limits.SupplyEmpty != nil {
			q.Batteries = append(q.Batteries, b.Name)
		}
	}
	if w.longer, err = w.app.store.ObserveLonger(ctx, q); err != nil {
		return err
	}
	for _, b := range w.longer {
		b.DeadBands = slices.DeleteFunc(b.DeadBands, func(d alert.DeadBand) bool { return !heard.Unheard(d.Sent, 0, d.Others) })
	}
	w.longerAt = now
	return nil
}

// readStrays finds what receivers agree on and none of our orders covers. It
// stands at the first of the beacons that have the call sign.
func (w *watcher) readStrays(ctx context.Context, f *fleet.Fleet) error {
	reports, err := w.app.store.StrayReceptions(ctx)
	if err != nil {
		return err
	}
	w.heardOff = map[string]*alert.Hearsay{}
	if len(reports) == 0 {
		return nil
	}
	beacons := map[string]string{} // by call sign
	for _, b := range f.Beacons {
		if beacons[b.Callsign] == "" {
			beacons[b.Callsign] = b.Name
		}
	}
	type place struct {
		slot           slot.Number
		callsign, band string
	}
	fresh := map[place]bool{}
	var strays []heard.Stray
	for _, r := range reports {
		at, err := locator.Parse(r.ReceiverLocator)
		if err != nil {
			continue // of a receiver that can't be told from another one
		}
		n := f.Network.Slot.At(r.StartAt)
		fresh[place{n, r.Callsign, r.Band}] = fresh[place{n, r.Callsign, r.Band}] || r.Fresh
		strays = append(strays, heard.Stray{
			Slot: n, Callsign: r.Callsign, Band: r.Band, Millihertz: r.FrequencyMillihertz, Receiver: r.Receiver, ReceiverLocator: at,
		})
	}
	sure, _ := heard.Sightings(strays)
	for _, s := range sure {
		name := beacons[s.Callsign]
		if before := w.heardOff[name]; name == "" || !fresh[place{s.Slot, s.Callsign, s.Band}] || before != nil && before.At.After(f.Network.Slot.Start(s.Slot)) {
			continue
		}
		w.heardOff[name] = &alert.Hearsay{
			Stray:    alert.Stray{At: f.Network.Slot.Start(s.Slot), Band: s.Band, Hz: float64(s.Millihertz) / 1000},
			Callsign: s.Callsign, Receivers: s.Receivers,
		}
	}
	return nil
}

func (w *watcher) readHistory(ctx context.Context, f *fleet.Fleet, now time.Time) (err error) {
	if err := w.readStrays(ctx, f); err != nil {
		return err
	}
	if w.history, err = w.app.store.ObserveHistory(ctx); err != nil {
		return err
	}
	if w.planMadeAt, err = w.app.store.PlanMadeAt(ctx); err != nil {
		return err
	}
	periods, err := w.app.store.InControl(ctx)
	if err != nil {
		return err
	}
	w.onDuty = map[string]bool{}
	for site := range periods {
		w.onDuty[site] = true
	}
	w.historyAt = now
	return nil
}
