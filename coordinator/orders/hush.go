package orders

import (
	"fmt"
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

// Concerns says whether a scope silences anything that a beacon might do.
func Concerns(scope fleet.Scope, b *fleet.Beacon) bool {
	return slices.ContainsFunc(b.Bands, func(use fleet.BandUse) bool { return scope.Covers(b, use.Band.Name) })
}

// InScope lists the beacons that a scope concerns, sorted.
func InScope(f *fleet.Fleet, scope fleet.Scope) []string {
	var names []string
	for _, b := range f.Beacons {
		if Concerns(scope, b) {
			names = append(names, b.Name)
		}
	}
	slices.Sort(names)
	return names
}

// HushState is the message with all that a beacon is to keep silent, to be
// sealed.
func HushState(network, beacon string, number lease.Number, under []Hush) ([]byte, error) {
	return proto.Marshal(&wirev1.Hush{Network: network, Beacon: beacon, Epoch: number.Epoch, Number: number.Revision, Scopes: scopes(under)})
}

// MoreHushed adds to a hush state under the number that it has: a beacon takes
// that although it is no newer, because it silences more. state is the message as
// HushState made it; nil: the beacon was never hushed, and the number is 0 within
// the given epoch.
func MoreHushed(state []byte, network, beacon string, epoch uint64, more []Hush) ([]byte, lease.Number, error) {
	message := &wirev1.Hush{Network: network, Beacon: beacon, Epoch: epoch}
	if state != nil {
		if err := proto.Unmarshal(state, message); err != nil {
			return nil, lease.Number{}, fmt.Errorf("the hush state of %s can't be read: %w", beacon, err)
		}
	}
	message.Scopes = append(message.Scopes, scopes(more)...)
	payload, err := proto.Marshal(message)
	return payload, lease.Number{Epoch: message.GetEpoch(), Revision: message.GetNumber()}, err
}

func scopes(under []Hush) []*wirev1.HushScope {
	list := make([]*wirev1.HushScope, len(under))
	for i, h := range under {
		list[i] = &wirev1.HushScope{
			Band: h.Scope.Band, GivenFor: fleet.Scope{Site: h.Scope.Site, Beacon: h.Scope.Beacon}.String(),
			Reason: h.Reason, GivenBy: h.GivenBy, SinceUnixMs: h.GivenAt.UnixMilli(),
		}
	}
	return list
}
