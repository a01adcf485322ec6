package orders

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

func FuzzReadRequest(f *testing.F) {
	name := topic.Address{Network: "tern-valley", Beacon: "mill-hf"}.Topic(topic.LeaseRequest)
	marshalled, err := proto.Marshal(&wirev1.LeaseRequest{
		Network: "tern-valley", Beacon: "mill-hf", Nonce: make([]byte, nonceBytes), BootId: "boot-1",
		Run: strings.Repeat("0a", runDigits/2), Reader: 1, Confirmed: &wirev1.OrdersNumber{Epoch: 7, Revision: 1},
	})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(name, marshalled)
	f.Add(name, []byte{0x0a, 0xff})
	f.Add("", []byte(nil))
	f.Fuzz(func(t *testing.T, name string, payload []byte) {
		r, address, err := ReadRequest(name, payload)
		if err != nil {
			return
		}
		if r.Network != address.Network || r.Beacon != address.Beacon || len(r.Nonce) != nonceBytes || len(r.Run) != runDigits {
			t.Errorf("let through: %v on %s", r, name)
		}
		if int64(r.GetConfirmed().GetEpoch()) < 0 || int64(r.GetConfirmed().GetRevision()) < 0 {
			t.Errorf("a number that the database can't hold: %v", r.Confirmed)
		}
	})
}
