package keyer

import (
	"bytes"
	"reflect"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

// These look inside, at what no event can bring about.

func TestAnImpossibleStateTrips(t *testing.T) {
	core, _ := New(Config{}, Persisted{}, Instant{Wall: time.Unix(1000, 0)})
	core.key.onAir = &job{permit: &keyerv1.Permit{Slot: 7}, ordered: &wirev1.Transmission{}, length: 120}
	core.key.ending = &keyerv1.Ended{Slot: 6}
	actions := core.Step(Instant{Wall: time.Unix(1000, 0)}, Tick{})
	var unkey bool
	ends := map[int64]string{}
	for _, action := range actions {
		switch a := action.(type) {
		case Unkey:
			unkey = true
		case Reply:
			if m := a.Message.GetEnded(); m != nil {
				ends[m.GetSlot()] = m.GetReason()
			}
		}
	}
	for _, action := range core.Step(Instant{Wall: time.Unix(1000, 0)}, Unkeyed{}) {
		if reply, ok := action.(Reply); ok && reply.Message.GetEnded() != nil {
			ends[reply.Message.GetEnded().GetSlot()] = reply.Message.GetEnded().GetReason()
		}
	}
	want := map[int64]string{6: "assertion", 7: "assertion"}
	if !unkey || core.wanted.tripped != Assertion || !reflect.DeepEqual(ends, want) {
		t.Errorf("unkey %v, tripped %q, ends %v", unkey, core.wanted.tripped, ends)
	}
}

func TestNoTransmissionGoesOnWithoutOrders(t *testing.T) {
	core, _ := New(Config{}, Persisted{}, Instant{})
	if no := core.ordered(&job{}); no.reason != NoOrders {
		t.Errorf("%v", no)
	}
}

// A lease on disk that no coordinator may grant is none.
func TestALeaseOnDiskIsCheckedAgain(t *testing.T) {
	signer, err := seal.NewSigner(bytes.NewReader(bytes.Repeat([]byte{1}, 32)))
	if err != nil {
		t.Fatal(err)
	}
	config := Config{Network: "n", Beacon: "b", BootID: "boot", Keys: seal.NewKeyring(signer.Public())}
	for _, c := range []struct {
		hours int64
		holds bool
	}{{24, true}, {25, false}} {
		payload, err := proto.Marshal(&wirev1.LeaseGrant{Network: "n", Beacon: "b", BootId: "boot", Terms: []*wirev1.LeaseTerm{
			{Control: wirev1.Control_CONTROL_AUTOMATIC, TimeToLiveMs: c.hours * time.Hour.Milliseconds()},
		}})
		if err != nil {
			t.Fatal(err)
		}
		state := file{Lease: signer.Seal(seal.Lease, "n", "b", payload), LeaseMadeNS: 1}.encode()
		core, _ := New(config, Persisted{State: state}, Instant{Boot: time.Second})
		if holds := core.onDisk.lease != nil; holds != c.holds {
			t.Errorf("%d hours: held: %v", c.hours, holds)
		}
	}
}

func FuzzDecodeFile(f *testing.F) {
	f.Add([]byte(nil))
	f.Add([]byte("lamplighter keyer 1 \n{}"))
	f.Add(file{Orders: []byte{1, 2}, HushUnknown: true, Tripped: Watchdog, LeaseMadeNS: -1}.encode())
	f.Fuzz(func(t *testing.T, state []byte) {
		decoded, err := decodeFile(state)
		if err != nil {
			return
		}
		again, err := decodeFile(decoded.encode())
		if err != nil || !reflect.DeepEqual(decoded, again) {
			t.Errorf("%+v became %+v (%v)", decoded, again, err)
		}
	})
}

// FuzzRestore brings anything past the checksum.
func FuzzRestore(f *testing.F) {
	f.Add([]byte{1}, []byte{2}, []byte{3}, []byte{4}, int64(5), "x", true)
	f.Fuzz(func(t *testing.T, envelope, orders, hush, lease []byte, made int64, tripped string, unknown bool) {
		state := file{
			Envelope: envelope, Orders: orders, Hush: hush, Lease: lease,
			LeaseMadeNS: made, Tripped: Reason(tripped), HushUnknown: unknown,
		}.encode()
		core, actions := New(Config{}, Persisted{State: state}, Instant{})
		if _, up := actions[0].(Unkey); !up || core.muteReason() == "" {
			t.Error("not silent")
		}
		if len(hush) > 0 && !core.silenced("40m") {
			t.Error("a hush that can't be read does not hush")
		}
	})
}

func TestAFileIsWholeOrNothing(t *testing.T) {
	state := file{Orders: []byte{1, 2, 3}, Tripped: Watchdog}.encode()
	for n := range len(state) {
		if _, err := decodeFile(state[:n]); err == nil {
			t.Errorf("the first %d bytes decode", n)
		}
		flipped := bytes.Clone(state)
		flipped[n] ^= 4
		if _, err := decodeFile(flipped); err == nil {
			t.Errorf("decodes with byte %d changed", n)
		}
	}
	if _, err := decodeFile(make([]byte, maxStateBytes+1)); err == nil {
		t.Error("a state without bounds decodes")
	}
	for _, body := range []string{"[]", "{", `{"lease_made_ns":1e99}`} {
		if _, err := decodeFile(withHead([]byte(body))); err == nil {
			t.Errorf("%s decodes", body)
		}
	}
}
