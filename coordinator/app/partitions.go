package app

import (
	"context"
	"time"
)

// partitionsEvery is how often the partitions of records are made ahead. Each
// time makes what is missing for days, so that missing it for a week is
// harmless, and any coordinator may do it.
const partitionsEvery = time.Hour

// keepPartitions makes the partitions of records, now and from now on.
func (a *App) keepPartitions(ctx context.Context) error {
	if err := a.store.MakePartitions(ctx); err != nil {
		return err
	}
	a.running.Go(func() {
		again := time.NewTicker(partitionsEvery)
		defer again.Stop()
		for {
			select {
			case <-a.lifetime.Done():
				return
			case <-again.C:
			}
			if err := a.store.MakePartitions(a.lifetime); err != nil && a.lifetime.Err() == nil {
				a.options.Log.Error("the partitions of records for the days ahead can't be made; records go to the default one meanwhile, and are moved later", "error", err)
			}
		}
	})
	return nil
}
