package orders

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Hush is an order to be silent that is in force.
type Hush struct {
	Scope           fleet.Scope
	Reason, GivenBy string
	GivenAt         time.Time
}

// InScope lists the beacons that a scope concerns, sorted.
func InScope(f *fleet.Fleet, scope fleet.Scope) []string {
	var names []string
	for _, b := range f.Beacons {
		if slices.ContainsFunc(b.Bands, func(use fleet.BandUse) bool { return scope.Covers(b, use.Band.Name) }) {
			names = append(names, b.Name)
		}
	}
	slices.Sort(names)
	return names
}

// HushState is the message with all that a beacon is to keep silent, to be
// sealed.
func HushState(network, beacon string, number lease.Number, under []Hush) ([]byte, error) {
	message := &wirev1.Hush{Network: network, Beacon: beacon, Epoch: number.Epoch, Number: number.Revision}
	for _, h := range under {
		message.Scopes = append(message.Scopes, &wirev1.HushScope{
			Band: h.Scope.Band, GivenFor: fleet.Scope{Site: h.Scope.Site, Beacon: h.Scope.Beacon}.String(),
			Reason: h.Reason, GivenBy: h.GivenBy, SinceUnixMs: h.GivenAt.UnixMilli(),
		})
	}
	return proto.Marshal(message)
}
