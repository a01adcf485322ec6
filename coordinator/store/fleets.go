package store

import (
	"context"
	"fmt"
	"sync"

	"lamplighter/coordinator/fleet"
)

// Fleets gives the fleet in force, read once for each version.
type Fleets struct {
	store *Store

	mu      sync.Mutex
	version FleetVersion
	fleet   *fleet.Fleet
}

// NewFleets makes a reader of the fleets in a store.
func NewFleets(s *Store) *Fleets { return &Fleets{store: s} }

// Current is the fleet in force with its version; nil where there is none.
func (f *Fleets) Current(ctx context.Context) (*fleet.Fleet, FleetVersion, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
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
	return read, version, nil
}
