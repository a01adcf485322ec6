package fleet

import (
	"regexp"
	"slices"
	"strings"

	"lamplighter/proto/onair/locator"
)

// Receiver is a receiver of the club's own, which brings its reports over MQTT
// as a device with a certificate.
type Receiver struct {
	Name     string // of the device; no beacon has the same
	Callsign string // as it stands in its reports
	Locator  locator.Locator
}

const mostReceivers = 200

var receiverCallsign = regexp.MustCompile(`^[A-Z0-9/_-]{1,32}$`)

// receivers reads the receivers, after the beacons.
func (r *reader) receivers(v value, beacons []*Beacon) []*Receiver {
	taken := map[string]bool{}
	for _, b := range beacons {
		taken[b.Name] = true
	}
	var list []*Receiver
	for _, entry := range r.entries(v, mostReceivers) {
		o, ok := r.object(entry, "a receiver", "name", "callsign", "locator")
		if !ok {
			continue
		}
		one := &Receiver{}
		o.required("name", func(v value) {
			if one.Name, ok = r.identifier(v); !ok {
				return
			}
			if taken[one.Name] {
				r.wrong(v, "%q is taken by a beacon or another receiver: give each device its own", one.Name)
			}
			taken[one.Name] = true
		})
		o.required("callsign", func(v value) {
			text, ok := r.text(v, 64)
			if one.Callsign = strings.ToUpper(text); ok && !receiverCallsign.MatchString(one.Callsign) {
				r.wrong(v, "must be 1 to 32 letters, digits, '/', '-' or '_', as it stands in its reports, not %q", text)
			}
		})
		o.required("locator", func(v value) {
			if text, ok := r.text(v, 64); ok {
				place, err := locator.Parse(text)
				if err != nil {
					r.add(v.at, v.path(), "%v", err)
				}
				one.Locator = place
			}
		})
		list = append(list, one)
	}
	return list
}

// Receiver is the receiver of that name; nil: there is none.
func (f *Fleet) Receiver(name string) *Receiver {
	i := slices.IndexFunc(f.Receivers, func(r *Receiver) bool { return r.Name == name })
	if i < 0 {
		return nil
	}
	return f.Receivers[i]
}

// HasDevice says whether a device may have this name: a beacon's or a receiver's.
func (f *Fleet) HasDevice(name string) bool { return f.Beacon(name) != nil || f.Receiver(name) != nil }

// receiverThings are the receivers in words, for comparing fleets.
func (f *Fleet) receiverThings() []thing {
	var things []thing
	for _, r := range f.Receivers {
		things = append(things, thing{"receiver " + r.Name, []fact{{"callsign", r.Callsign}, {"locator", r.Locator.String()}}})
	}
	return things
}
