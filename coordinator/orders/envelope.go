package orders

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

// BuildEnvelope seals what a beacon's licence and equipment allow, as its agent
// is given it in its configuration. made is when, and version that of the fleet
// file.
func BuildEnvelope(signer *seal.Signer, f *fleet.Fleet, beacon string, version int64, made time.Time) ([]byte, error) {
	b := f.Beacon(beacon)
	if b == nil {
		return nil, fault.New(fault.NotFound, "beacon", "the fleet in force has no beacon %s", beacon)
	}
	payload, err := proto.Marshal(envelope(f, b, version, made))
	if err != nil {
		return nil, err
	}
	return signer.Seal(seal.Envelope, f.Network.ID, beacon, payload), nil
}

func envelope(f *fleet.Fleet, b *fleet.Beacon, version int64, made time.Time) *wirev1.Envelope {
	e := &wirev1.Envelope{
		LeastReader: lease.Format,
		Network:     f.Network.ID,
		Beacon:      b.Name,
		Number:      uint64(max(1, made.Unix())),
		Callsign:    b.Callsign,
		Locator:     b.Site.Locator.String(),
		Source:      fmt.Sprintf("fleet file, version %d", version),
		SlotSeconds: uint32(f.Network.Slot),
	}
	if b.Site.Locator.Len() > 6 {
		e.Locator = b.Site.Locator.Truncate(6).String()
	}
	if !b.Licence.ValidFrom.IsZero() {
		e.ValidFromUnix = b.Licence.ValidFrom.Unix()
	}
	if !b.Licence.ValidTo.IsZero() {
		e.ValidToUnix = b.Licence.ValidTo.Unix()
	}
	for _, use := range b.Bands {
		e.Bands = append(e.Bands, &wirev1.EnvelopeBand{
			Band: use.Band.Name, Control: WireControl(use.Control),
			MaxPowerDbm: int32(b.Licence.MaxPowerDBm), Segments: segments(b, use),
		})
	}
	return e
}

// segments are the licensed pieces of spectrum that meet a band's window. Where
// the licence names none, the window is the limit.
func segments(b *fleet.Beacon, use fleet.BandUse) []*wirev1.Segment {
	if len(b.Licence.Segments) == 0 {
		return []*wirev1.Segment{{FromHz: use.Band.LowHz(), ToHz: use.Band.HighHz(), LimitDbm: int32(b.Licence.MaxPowerDBm)}}
	}
	var list []*wirev1.Segment
	for _, s := range b.Licence.Segments {
		if s.FromHz < use.Band.HighHz() && s.ToHz > use.Band.LowHz() {
			list = append(list, &wirev1.Segment{FromHz: s.FromHz, ToHz: s.ToHz, LimitDbm: int32(s.LimitDBm)})
		}
	}
	return list
}

// WireControl is a kind of control as agents read it.
func WireControl(c fleet.Control) wirev1.Control {
	switch c {
	case fleet.Local:
		return wirev1.Control_CONTROL_LOCAL
	case fleet.Remote:
		return wirev1.Control_CONTROL_REMOTE
	case fleet.Automatic:
		return wirev1.Control_CONTROL_AUTOMATIC
	}
	return wirev1.Control_CONTROL_UNSPECIFIED
}
