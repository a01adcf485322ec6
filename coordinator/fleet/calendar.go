package fleet

import (
	"time"

	"lamplighter/coordinator/zone"
)

// calendar reads the zone in which the network's weeks begin and end.
func (r *reader) calendar(o *object, n *Network) {
	o.optional("time_zone", func(v value) {
		name, ok := r.text(v, 64)
		if !ok {
			return
		}
		if n.Zone = r.zone(name); n.Zone == nil {
			_, err := zone.Load(name)
			r.add(v.at, v.path(), "%v", err)
		}
	})
}

// Calendar is the zone in which the network's weeks begin and end: its own, or
// else that of its sites where they share one, or else UTC.
func (f *Fleet) Calendar() *time.Location {
	if f.Network.Zone != nil {
		return f.Network.Zone
	}
	shared := time.UTC
	for i, s := range f.Sites {
		if i > 0 && s.Zone.String() != shared.String() {
			return time.UTC
		}
		shared = s.Zone
	}
	return shared
}
