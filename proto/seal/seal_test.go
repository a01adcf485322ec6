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

// A keyring that remembers gives the same answers about its own messages as others
// about signed ones, and others do not believe its own.
func TestAKeyringThatRemembersGivesTheSameAnswers(t *testing.T) {
	signer, stranger := newSigner(t, 3), newSigner(t, 4)
	plain := seal.NewKeyring(signer.Public())
	remembers := plain.Remembering()
	type try struct {
		purpose seal.Purpose
		beacon  string
		message []byte
	}
	tries := func(message, foreign []byte) []try {
		forged := bytes.Clone(message)
		forged[len(forged)-1] ^= 1
		return []try{{seal.Orders, "b", message}, {seal.Orders, "b", forged}, {seal.Lease, "b", message}, {seal.Orders, "c", message}, {seal.Orders, "b", foreign}}
	}
	for i := range 100 {
		payload := []byte{byte(i)}
		foreign := remembers.Seal(stranger, seal.Orders, "n", "b", payload)
		real := tries(signer.Seal(seal.Orders, "n", "b", payload), foreign)
		for i, own := range tries(remembers.Seal(signer, seal.Orders, "n", "b", payload), foreign) {
			want, wantErr := plain.Open(real[i].purpose, "n", real[i].beacon, real[i].message)
			for _, message := range [][]byte{own.message, real[i].message} {
				got, err := remembers.Open(own.purpose, "n", own.beacon, message)
				if !bytes.Equal(got, want) || (err == nil) != (wantErr == nil) {
					t.Fatalf("try %d: %q, %v; want %q, %v", i, got, err, want, wantErr)
				}
			}
			if got, err := plain.Open(own.purpose, "n", own.beacon, own.message); err == nil {
				t.Fatalf("another keyring believes %q", got)
			}
		}
	}
}
