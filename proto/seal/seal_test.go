package seal_test

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

func newSigner(t interface{ Fatal(...any) }, fill byte) *seal.Signer {
	signer, err := seal.NewSigner(bytes.NewReader(bytes.Repeat([]byte{fill}, 32)))
	if err != nil {
		t.Fatal(err)
	}
	return signer
}

func TestKeysAreThoseOfTheStandard(t *testing.T) {
	// RFC 8032, section 7.1, test 1: secret and public key (from memory).
	seed, _ := hex.DecodeString("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
	want, _ := hex.DecodeString("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
	signer, err := seal.ParseSigner(base64.StdEncoding.EncodeToString(seed))
	if err != nil {
		t.Fatal(err)
	}
	if got := signer.Public().String(); got != base64.StdEncoding.EncodeToString(want) {
		t.Errorf("public key %s", got)
	}
}

func TestOnlyTheRightMessageOpens(t *testing.T) {
	signer, stranger := newSigner(t, 1), newSigner(t, 2)
	ring := seal.NewKeyring(signer.Public())
	message := signer.Seal(seal.Orders, "tern-valley", "hilltop-hf", []byte("payload"))
	altered := func(change func(*wirev1.Sealed)) []byte {
		var sealed wirev1.Sealed
		if err := proto.Unmarshal(message, &sealed); err != nil {
			t.Fatal(err)
		}
		change(&sealed)
		out, _ := proto.Marshal(&sealed)
		return out
	}
	for name, c := range map[string]struct {
		purpose         seal.Purpose
		network, beacon string
		message         []byte
		want            seal.Reason
	}{
		"as it was sealed":    {seal.Orders, "tern-valley", "hilltop-hf", message, ""},
		"another purpose":     {seal.Lease, "tern-valley", "hilltop-hf", message, seal.BadSignature},
		"another beacon":      {seal.Orders, "tern-valley", "mill-hf", message, seal.BadSignature},
		"another network":     {seal.Orders, "tern", "hilltop-hf", message, seal.BadSignature},
		"another payload":     {seal.Orders, "tern-valley", "hilltop-hf", altered(func(s *wirev1.Sealed) { s.Payload = []byte("paylord") }), seal.BadSignature},
		"no signature":        {seal.Orders, "tern-valley", "hilltop-hf", altered(func(s *wirev1.Sealed) { s.Signature = nil }), seal.BadSignature},
		"a stranger's key":    {seal.Orders, "tern-valley", "hilltop-hf", stranger.Seal(seal.Orders, "tern-valley", "hilltop-hf", []byte("payload")), seal.UnknownKey},
		"a key id that lies":  {seal.Orders, "tern-valley", "hilltop-hf", altered(func(s *wirev1.Sealed) { s.KeyId = stranger.Public().ID() }), seal.UnknownKey},
		"no message at all":   {seal.Orders, "tern-valley", "hilltop-hf", nil, seal.UnknownKey},
		"bytes of any kind":   {seal.Orders, "tern-valley", "hilltop-hf", []byte{0xff, 0xff, 0xff}, seal.Garbled},
		"more than is looked": {seal.Orders, "tern-valley", "hilltop-hf", make([]byte, seal.MaxBytes+1), seal.TooLarge},
	} {
		payload, err := ring.Open(c.purpose, c.network, c.beacon, c.message)
		var refusal *seal.Refusal
		switch {
		case c.want == "" && (err != nil || string(payload) != "payload"):
			t.Errorf("%s: %q, %v", name, payload, err)
		case c.want != "" && (!errors.As(err, &refusal) || refusal.Reason != c.want || payload != nil):
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
	}
}

func TestAnyFlippedBitIsRefused(t *testing.T) {
	signer := newSigner(t, 3)
	ring := seal.NewKeyring(signer.Public())
	rapid.Check(t, func(t *rapid.T) {
		payload := rapid.SliceOfN(rapid.Byte(), 1, 100).Draw(t, "payload")
		message := signer.Seal(seal.Hush, "n", "b", payload)
		bit := rapid.IntRange(0, 8*len(message)-1).Draw(t, "bit")
		message[bit/8] ^= 1 << (bit % 8)
		if got, err := ring.Open(seal.Hush, "n", "b", message); err == nil && !bytes.Equal(got, payload) {
			t.Fatalf("opened %x as %x", payload, got)
		}
	})
}

func TestSecretsSurviveBeingWrittenDown(t *testing.T) {
	signer := newSigner(t, 4)
	again, err := seal.ParseSigner(signer.Secret() + "\n")
	if err != nil || again.Public().String() != signer.Public().String() {
		t.Fatalf("%v", err)
	}
	public, err := seal.ParsePublicKey(signer.Public().String())
	if err != nil || public.ID() != signer.Public().ID() {
		t.Fatalf("%v", err)
	}
	if _, err := seal.ParsePublicKey("short"); err == nil {
		t.Error("a short public key was read")
	}
	if _, err := seal.ParseSigner("short"); err == nil {
		t.Error("a short secret was read")
	}
}

func FuzzOpen(f *testing.F) {
	signer := newSigner(f, 5)
	ring := seal.NewKeyring(signer.Public())
	good := signer.Seal(seal.Orders, "n", "b", []byte("payload"))
	f.Add(good)
	f.Fuzz(func(t *testing.T, message []byte) {
		payload, err := ring.Open(seal.Orders, "n", "b", message)
		if err == nil && string(payload) != "payload" {
			t.Fatalf("opened %x", message)
		}
	})
}

// A keyring that remembers gives the same answers: to each message of its own,
// whatever it has opened before, and after it had to forget.
func TestAKeyringThatRemembersGivesTheSameAnswers(t *testing.T) {
	signer := newSigner(t, 3)
	plain := seal.NewKeyring(signer.Public())
	remembers := plain.Remembering()
	stranger := newSigner(t, 4)
	for i := range 1500 {
		message := remembers.Seal(signer, seal.Orders, "n", "b", []byte{byte(i), byte(i >> 8)})
		foreign := remembers.Seal(stranger, seal.Orders, "n", "b", []byte{byte(i), byte(i >> 8)})
		if i%10 != 0 {
			continue
		}
		forged := bytes.Clone(message)
		forged[len(forged)-1] ^= 1
		for range 2 {
			for _, try := range []struct {
				purpose seal.Purpose
				beacon  string
				message []byte
			}{{seal.Orders, "b", message}, {seal.Orders, "b", forged}, {seal.Lease, "b", message}, {seal.Orders, "c", message}, {seal.Orders, "b", foreign}} {
				want, wantErr := plain.Open(try.purpose, "n", try.beacon, try.message)
				got, err := remembers.Open(try.purpose, "n", try.beacon, try.message)
				if !bytes.Equal(got, want) || (err == nil) != (wantErr == nil) {
					t.Fatalf("%d, %s for %s: %q, %v; want %q, %v", i, try.purpose, try.beacon, got, err, want, wantErr)
				}
			}
		}
	}
}
