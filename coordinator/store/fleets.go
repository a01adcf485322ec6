package store

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"lamplighter/coordinator/fleet"
)

// Fleets gives the fleet in force, read once for each version.
type Fleets struct {
	store *Store

	reading chan struct{} // holds one while somebody reads or changes the two below
	version FleetVersion
	fleet   *fleet.Fleet
	last    atomic.Pointer[fleet.Fleet] // the same
}

// NewFleets makes a reader of the fleets in a store.
func NewFleets(s *Store) *Fleets { return &Fleets{store: s, reading: make(chan struct{}, 1)} }

// soon is how long an order to be silent waits for the database to say which
// fleet is in force.
const soon = 500 * time.Millisecond

// Soon is the fleet in force, or, where the database does not say so within half
// a second, the one that was read last. It is for orders to be silent.
func (f *Fleets) Soon(ctx context.Context) (*fleet.Fleet, error) {
	asking, cancel := context.WithTimeout(ctx, soon)
	defer cancel()
	current, _, err := f.Current(asking)
	if last := f.last.Load(); err != nil && ctx.Err() == nil && last != nil {
		return last, nil
	}
	return current, err
}

// Current is the fleet in force with its version; nil where there is none.
func (f *Fleets) Current(ctx context.Context) (*fleet.Fleet, FleetVersion, error) {
	select {
	case f.reading <- struct{}{}:
		defer func() { <-f.reading }()
	case <-ctx.Done():
		return nil, FleetVersion{}, ctx.Err()
	}
	var latest int64
	err := f.store.pool.QueryRow(ctx, "select coalesce(max(version), 0) from fleet_versions").Scan(&latest)
	if err != nil || latest == f.version.Version {
		return f.fleet, f.version, err
	}
	version, err := f.store.CurrentFleet(ctx)
	if err != nil {
		return nil, FleetVersion{}, err
	}
	read, err := fleet.Read(version.File, []byte(version.YAML))
	if err != nil {
		return nil, FleetVersion{}, fmt.Errorf("version %d of the fleet file was put in force by another version of this program, and this one can't read it: %w", version.Version, err)
	}
	f.fleet, f.version = read, version
	f.last.Store(read)
	return read, version, nil
}
