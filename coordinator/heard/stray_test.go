package heard

import (
	"fmt"
	"strings"
	"testing"

	"lamplighter/proto/onair/slot"
)

// Two independent receivers within 5 Hz in one slot, or two slots in a row: less
// is doubtful.
func TestASingleReceiverIsDoubted(t *testing.T) {
	one := Stray{Slot: 100, Callsign: "Q1ABC", Band: "40m", Millihertz: 7_040_100_000, Receiver: "Q8XYZ", ReceiverLocator: place(t, "FN42AX")}
	like := func(change func(s *Stray)) Stray {
		other := one
		other.Receiver, other.ReceiverLocator = "Q9XYZ", place(t, "JN58TD")
		change(&other)
		return other
	}
	same := func(s *Stray) { s.Receiver, s.ReceiverLocator = one.Receiver, one.ReceiverLocator }
	for _, c := range []struct {
		name  string
		other Stray
		sure  string // "slot receivers" of each
	}{
		{"agrees", like(func(*Stray) {}), "100 Q8XYZ,Q9XYZ"},
		{"is 5 Hz off", like(func(s *Stray) { s.Millihertz += 5000 }), "100 Q8XYZ,Q9XYZ"},
		{"is more than 5 Hz off", like(func(s *Stray) { s.Millihertz -= 5001 }), ""},
		{"is on another band", like(func(s *Stray) { s.Band = "20m" }), ""},
		{"heard another call sign", like(func(s *Stray) { s.Callsign = "Q2ABC" }), ""},
		{"is the same one again", like(same), ""},
		{"stands beside it", like(func(s *Stray) { s.ReceiverLocator = one.ReceiverLocator }), ""},
		{"may stand beside it or 100 km away", like(func(s *Stray) { s.ReceiverLocator = place(t, "FN42") }), "100 Q8XYZ,Q9XYZ"},
		{"is the same one in the next slot", like(func(s *Stray) { same(s); s.Slot, s.Millihertz = 101, 7_040_170_000 }), "100 Q8XYZ; 101 Q8XYZ"},
		{"is the same one in the slot before", like(func(s *Stray) { same(s); s.Slot = 99 }), "99 Q8XYZ; 100 Q8XYZ"},
		{"is the same one two slots later", like(func(s *Stray) { same(s); s.Slot = 102 }), ""},
	} {
		for _, list := range [][]Stray{{one, c.other}, {c.other, one}} {
			sure, doubtful := Sightings(list)
			var texts []string
			for _, s := range sure {
				texts = append(texts, fmt.Sprintf("%d %s", s.Slot, strings.Join(s.Receivers, ",")))
			}
			if got := strings.Join(texts, "; "); got != c.sure || (len(doubtful) == 2) != (c.sure == "") {
				t.Errorf("the other %s: sure %q, doubtful %v; want %q", c.name, got, doubtful, c.sure)
			}
		}
	}
	if sure, doubtful := Sightings([]Stray{one}); len(sure) != 0 || len(doubtful) != 1 {
		t.Errorf("one report is sure: %v", sure)
	}
	crowd := make([]Stray, 0, 50)
	for i := range 50 {
		crowd = append(crowd, like(func(s *Stray) { s.Receiver, s.Slot = fmt.Sprint("Q", i), slot.Number(100) }))
		crowd[i].ReceiverLocator = place(t, "FN42")
	}
	if sure, _ := Sightings(crowd); len(sure) != 1 || len(sure[0].Receivers) != 50 {
		t.Errorf("50 receivers make %d sightings", len(sure))
	}
}
