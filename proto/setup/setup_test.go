package setup

import (
	"bytes"
	"crypto/rand"
	"testing"

	"lamplighter/proto/seal"
)

// A configuration comes from a coordinator, too: whatever is read is refused, or
// can be written and read again as the same.
func FuzzDecode(f *testing.F) {
	text, err := whole(f).Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte("network: [\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		read, err := Decode("f.yaml", text)
		if err != nil {
			return
		}
		again, err := read.Encode()
		if err != nil {
			t.Fatal(err)
		}
		back, err := Decode("f.yaml", again)
		if err != nil {
			t.Fatalf("%v\n%s", err, again)
		}
		if twice, err := back.Encode(); err != nil || !bytes.Equal(twice, again) {
			t.Errorf("%v\n%s\n%s", err, again, twice)
		}
	})
}

// whole is a file as a coordinator writes it.
func whole(f *testing.F) *File {
	f.Helper()
	signer, err := seal.NewSigner(rand.Reader)
	if err != nil {
		f.Fatal(err)
	}
	file := &File{
		Network: "tern", Site: "mill", Beacon: "mill-hf", Broker: "ssl://beacons.example.org:8883", Folder: "lamplighter-mill-hf",
		Clock: Clock{Source: "simulated", BoundMS: 1}, Transmitter: Transmitter{Driver: "simulated", UncertaintyPPB: 50},
		Identity:       &Identity{Folder: "mill.identity", Coordinator: "beacons.example.org:443"},
		CoordinatorKey: CoordinatorKey{ID: signer.Public().ID(), Public: signer.Public().String()},
	}
	file.SetEnvelope([]byte("sealed"))
	return file
}
