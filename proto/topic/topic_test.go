package topic_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lamplighter/proto/topic"
)

// The topics are an interface that firmware elsewhere relies on: a change here
// is a change of protocol.
func TestTopicsAreThePublishedOnes(t *testing.T) {
	at := topic.Address{Network: "tern-valley", Beacon: "hilltop-hf"}
	for kind, want := range map[topic.Kind]string{
		topic.Orders:       "lamplighter/v1/tern-valley/hilltop-hf/down/orders",
		topic.Hush:         "lamplighter/v1/tern-valley/hilltop-hf/down/hush",
		topic.Lease:        "lamplighter/v1/tern-valley/hilltop-hf/down/lease",
		topic.Receipts:     "lamplighter/v1/tern-valley/hilltop-hf/down/receipts",
		topic.Presence:     "lamplighter/v1/tern-valley/hilltop-hf/up/presence",
		topic.LeaseRequest: "lamplighter/v1/tern-valley/hilltop-hf/up/lease-request",
		topic.Health:       "lamplighter/v1/tern-valley/hilltop-hf/up/health",
		topic.Records:      "lamplighter/v1/tern-valley/hilltop-hf/up/records",
		topic.Receptions:   "lamplighter/v1/tern-valley/hilltop-hf/up/receptions",
	} {
		if got := at.Topic(kind); got != want {
			t.Errorf("%s: got %s, want %s", kind, got, want)
		}
	}
	if got := len(topic.Kinds()); got != 9 {
		t.Errorf("%d kinds, and this table has 9", got)
	}
}

func TestOnlyStateIsRetained(t *testing.T) {
	for kind, want := range map[topic.Kind]bool{
		topic.Orders: true, topic.Hush: true, topic.Presence: true,
		topic.Lease: false, topic.Receipts: false, topic.LeaseRequest: false, topic.Health: false, topic.Records: false,
	} {
		if kind.Retained() != want {
			t.Errorf("%s retained: got %v", kind, kind.Retained())
		}
	}
}

func TestParseTakesApartWhatTopicBuilds(t *testing.T) {
	id := rapid.StringMatching(`[a-z0-9-]{1,64}`)
	rapid.Check(t, func(t *rapid.T) {
		at := topic.Address{Network: id.Draw(t, "network"), Beacon: id.Draw(t, "beacon")}
		kind := rapid.SampledFrom(topic.Kinds()).Draw(t, "kind")
		got, gotKind, err := topic.Parse(at.Topic(kind))
		if err != nil || got != at || gotKind != kind {
			t.Fatalf("got %v %v %v", got, gotKind, err)
		}
	})
}

func TestParseRefuses(t *testing.T) {
	for name, text := range map[string]string{
		"nothing":           "",
		"another root":      "lamps/v1/a/b/up/health",
		"another version":   "lamplighter/v2/a/b/up/health",
		"no beacon":         "lamplighter/v1/a//up/health",
		"a wildcard":        "lamplighter/v1/a/+/up/health",
		"capitals":          "lamplighter/v1/a/B/up/health",
		"an unknown kind":   "lamplighter/v1/a/b/up/wealth",
		"a level too many":  "lamplighter/v1/a/b/up/health/x",
		"an id of 65 bytes": "lamplighter/v1/a/" + strings.Repeat("b", 65) + "/up/health",
	} {
		if _, _, err := topic.Parse(text); err == nil {
			t.Errorf("%s: %q was accepted", name, text)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("lamplighter/v1/a/b/up/health")
	f.Fuzz(func(t *testing.T, text string) {
		at, kind, err := topic.Parse(text)
		if err == nil && at.Topic(kind) != text {
			t.Fatalf("%q was read as %v %v", text, at, kind)
		}
	})
}
