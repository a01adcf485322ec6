package console

import (
	"slices"

	"google.golang.org/protobuf/proto"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/slot"
)

// lampmaker makes the lamps of a page. Of beacons that are as they were it keeps
// what it made.
type lampmaker struct {
	version int64
	first   slot.Number
	made    map[string]madeLamp
}

type madeLamp struct {
	beacon *apiv1.Beacon
	slots  []*apiv1.LedgerSlot
	pieces map[string]piece
}

// make adds the pieces of all lamps: for each the whole, and what is in it.
func (m *lampmaker) make(s sight, into map[string]piece) error {
	before := m.made
	if m.version != s.file.GetVersion() || m.first != s.first {
		before = nil
	}
	m.version, m.first, m.made = s.file.GetVersion(), s.first, make(map[string]madeLamp, len(s.beacons))
	for _, b := range s.beacons {
		lamp, known := before[b.GetBeacon()]
		if !known || !lamp.still(b, s.slots[b.GetBeacon()]) {
			pieces, err := lampPieces(s.lamp(b))
			if err != nil {
				m.made = nil
				return err
			}
			lamp = madeLamp{b, s.slots[b.GetBeacon()], pieces}
		}
		m.made[b.GetBeacon()] = lamp
		for id, p := range lamp.pieces {
			into[id] = p
		}
	}
	return nil
}

// still says whether a beacon is as it was.
func (l madeLamp) still(b *apiv1.Beacon, slots []*apiv1.LedgerSlot) bool {
	return proto.Equal(l.beacon, b) && slices.EqualFunc(l.slots, slots, func(a, b *apiv1.LedgerSlot) bool { return proto.Equal(a, b) })
}

func lampPieces(l lamp) (map[string]piece, error) {
	parts := map[string]any{"Lamp": l}
	made := map[string]piece{}
	for _, part := range []struct{ id, field string }{{"says", "Says"}, {"slots", "Slots"}, {"facts", "Facts"}} {
		html, err := fragment(part.id, l)
		if err != nil {
			return nil, err
		}
		parts[part.field] = htmlPiece(html)                                                //nolint:gosec // made by a template
		made[part.id+"-"+l.GetBeacon()] = piece{html: htmlPiece(html), within: l.Anchor()} //nolint:gosec // made by a template
	}
	whole, err := fragment("lamp", parts)
	skeleton := l.Shape
	if l.Needs {
		skeleton += " needs"
	}
	made[l.Anchor()] = piece{html: htmlPiece(whole), skeleton: skeleton} //nolint:gosec // made by a template
	return made, err
}
