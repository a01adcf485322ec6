package console

import (
	"context"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// known keeps the fleet in force as it was read last, so that its file is not
// read again for each page.
type known struct {
	mu      sync.Mutex
	version int64
	fleet   *fleet.Fleet
}

// network is the fleet in force with its file; fleet is nil where there is none.
type network struct {
	*fleet.Fleet
	file *apiv1.GetFleetResponse
}

// network reads the fleet in force.
func (c *Console) network(ctx context.Context) (network, error) {
	file, err := c.fleets.GetFleet(ctx, &apiv1.GetFleetRequest{})
	if err != nil || file.GetVersion() == 0 {
		return network{file: file}, err
	}
	c.known.mu.Lock()
	defer c.known.mu.Unlock()
	if c.known.version != file.GetVersion() {
		read, err := fleet.Read("fleet file", []byte(file.GetYaml()))
		if err != nil {
			return network{}, err
		}
		c.known.version, c.known.fleet = file.GetVersion(), read
	}
	return network{c.known.fleet, file}, nil
}

// soon is how long the form to order silence waits for the fleet in force.
const soon = 500 * time.Millisecond

// networkSoon is network, or what was read last where that does not come at once.
func (c *Console) networkSoon(ctx context.Context) (network, error) {
	asking, cancel := context.WithTimeout(ctx, soon)
	defer cancel()
	n, err := c.network(asking)
	if err == nil {
		return n, nil
	}
	c.known.mu.Lock()
	defer c.known.mu.Unlock()
	if c.known.fleet == nil {
		return n, err
	}
	return network{Fleet: c.known.fleet}, nil
}

// bandNames are the bands that beacons of a fleet use, by frequency.
func (n network) bandNames() []string {
	used := map[string]bool{}
	for _, b := range n.Beacons {
		for _, use := range b.Bands {
			used[use.Band.Name] = true
		}
	}
	var names []string
	for _, b := range n.Network.Bands.All() {
		if used[b.Name] {
			names = append(names, b.Name)
		}
	}
	return names
}

// sorted are the beacons by site and name.
func (n network) sorted() []*fleet.Beacon {
	list := slices.Clone(n.Beacons)
	slices.SortFunc(list, func(a, b *fleet.Beacon) int {
		switch {
		case a.Site.Name != b.Site.Name && a.Site.Name < b.Site.Name, a.Site == b.Site && a.Name < b.Name:
			return -1
		case a == b:
			return 0
		}
		return 1
	})
	return list
}

// slots asks for ordered slots.
func (c *Console) slots(ctx context.Context, beacon string, from, to time.Time) (*apiv1.ListSlotsResponse, error) {
	return c.history.ListSlots(ctx, &apiv1.ListSlotsRequest{From: timestamppb.New(from), To: timestamppb.New(to), Beacon: beacon})
}
