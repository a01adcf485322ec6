package sim

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Who holds a beacon's identity is what was stored, also where the coordinator
// was killed before it could answer.
func TestTheOracleKnowsWhomAKilledCoordinatorGaveALease(t *testing.T) {
	stored := 0
	for seed := range uint64(6) {
		w, o := calmWorld(t, seed+1, time.Hour)
		w.run(10 * time.Minute)
		d := w.devices[0]
		d.powerOff()
		w.run(15 * time.Minute)
		payload, err := proto.Marshal(&wirev1.LeaseRequest{
			Network: w.network, Beacon: d.name, Nonce: make([]byte, 16), BootId: "another", Run: strings.Repeat("0", 32), Reader: 1,
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range w.coordinators {
			c.fails = true
			c.answer(payload, d)
		}
		row := w.database.leases[d.name]
		if row.holder.BootID == "another" {
			stored++
		}
		if known := w.oracle.holders[d.name].boot; known != row.holder.BootID {
			t.Errorf("seed %d: stored is %s, and the oracle knows of %s", o.Seed, row.holder.BootID, known)
		}
	}
	if stored == 0 || stored == 6 {
		t.Errorf("of 6 kills just before or after a commit %d came after it", stored)
	}
}
