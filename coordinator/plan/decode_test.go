package plan

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

const small = `{"network": "Tern Valley Schools", "from": "2026-12-01T00:00:00Z", "to": "2026-12-02T00:00:00Z", "slot_seconds": 120,
 "transmissions": [
  {"start": "2026-12-01T00:04:00Z", "beacon": "hilltop-hf", "band": "40m", "frequency_hz": 7040101.5},
  {"start": "2026-12-01T00:06:00Z", "beacon": "hilltop-hf", "band": "40m", "frequency_hz": 7040101.5, "message": "extended"}],
 "shortfalls": [
  {"beacon": "hilltop-hf", "band": "6m", "wanted": 0, "granted": 0, "reason": "no room for u of 150 Hz in \"6m\" – Größe"},
  {"beacon": "mill", "wanted": 144, "granted": 100, "reason": "site mill: one transmitter at once, shared by 3 beacons"}]}
`

func TestDecodeAndEncode(t *testing.T) {
	p, err := Decode([]byte(small))
	if err != nil {
		t.Fatal(err)
	}
	want := &Plan{
		Network: "Tern Valley Schools", From: midnight, To: morrow, SlotSeconds: 120,
		Transmissions: []Transmission{
			{midnight.Add(4 * time.Minute), "hilltop-hf", "40m", 7040101.5, ""},
			{midnight.Add(6 * time.Minute), "hilltop-hf", "40m", 7040101.5, Extended},
		},
		Shortfalls: []Shortfall{
			{"hilltop-hf", "6m", 0, 0, `no room for u of 150 Hz in "6m" – Größe`},
			{"mill", "", 144, 100, "site mill: one transmitter at once, shared by 3 beacons"},
		},
	}
	if diff := cmp.Diff(want, p); diff != "" {
		t.Errorf("decoded (-want +got):\n%s", diff)
	}
	mixed := *want
	mixed.Transmissions = []Transmission{want.Transmissions[1], want.Transmissions[0]}
	mixed.Shortfalls = []Shortfall{want.Shortfalls[1], want.Shortfalls[0]}
	for _, p := range []*Plan{want, &mixed} {
		if diff := cmp.Diff(small, string(p.Encode())); diff != "" {
			t.Errorf("encoded (-want +got):\n%s", diff)
		}
	}
	full := strings.Replace(small, `7040101.5},`, `7040101.5, "message": "full"},`, 1)
	if p, err := Decode([]byte(full)); err != nil || string(p.Encode()) != small {
		t.Errorf("full is the same as nothing: %v", err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	for _, tt := range []struct{ old, new, want string }{
		{small, "", "line 1: EOF"},
		{small, "[]", "line 1"},
		{small, "null", "network is missing"},
		{`"network": "Tern Valley Schools", `, "", "network is missing"},
		{`"slot_seconds": 120`, `"slot_seconds": 7`, "slot_seconds: a slot of 7 s does not divide the day"},
		{`"slot_seconds": 120`, `"slot_seconds": "120"`, "line 1"},
		{`"slot_seconds": 120`, `"slots": 120`, `unknown field "slots"`},
		{`, "slot_seconds": 120`, "", "slot_seconds is missing"},
		{`"from": "2026-12-01T00:00:00Z", `, "", "from or to is missing"},
		{`"from": "2026-12-01T00:00:00Z"`, `"from": "2026-12-03T00:00:00Z"`, "to is before from"},
		{`"from": "2026-12-01T00:00:00Z"`, `"from": "2026-12-01"`, `from: "2026-12-01" is not a time in UTC`},
		{"2026-12-01T00:04:00Z", "2026-12-01T00:04:00+01:00", `transmission 1: "2026-12-01T00:04:00+01:00" is not a time in UTC`},
		{"2026-12-01T00:04:00Z", "2026-12-01T00:04:00.5Z", "whole seconds"},
		{"2026-12-01T00:04:00Z", "2026-12-01T00:08:00Z", "transmission 2: out of order"},
		{`"band": "40m", "frequency_hz": 7040101.5}`, `"frequency_hz": 7040101.5}`, "transmission 1: band is missing"},
		{`"frequency_hz": 7040101.5}`, `"frequency_hz": -1}`, "transmission 1: frequency_hz of -1"},
		{`"message": "extended"`, `"message": "short"`, `transmission 2: message is "short"`},
		{`"beacon": "mill"`, `"beacon": ""`, "shortfall 2: beacon is missing"},
		{`"wanted": 144`, `"wanted": -144`, "shortfall 2: wanted and granted are not negative"},
		{`"wanted": 144`, `"wanted": 144.5`, "line 7"},
		{"3 beacons\"}]}", "3 beacons\"}]} {}", "line 7: something follows"},
		{"3 beacons\"}]}", "3 beacons\"}]", "line 8"},
	} {
		if strings.Count(small, tt.old) < 1 {
			t.Fatalf("%q is not there", tt.old)
		}
		_, err := Decode([]byte(strings.Replace(small, tt.old, tt.new, 1)))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %s", tt.new, err, tt.want)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &Plan{Network: rapid.StringN(1, 20, 100).Draw(t, "network"), From: midnight, To: morrow, SlotSeconds: 120, Transmissions: []Transmission{}, Shortfalls: []Shortfall{}}
		name := rapid.StringMatching(`[a-z0-9-]{1,12}`)
		for range rapid.IntRange(0, 20).Draw(t, "transmissions") {
			p.Transmissions = append(p.Transmissions, Transmission{
				Start:  midnight.Add(time.Duration(rapid.Int64Range(0, 86399).Draw(t, "second")) * time.Second),
				Beacon: name.Draw(t, "beacon"), Band: name.Draw(t, "band"),
				FrequencyHz: rapid.Float64Range(1e-3, 3e11).Draw(t, "hz"),
				Message:     rapid.SampledFrom([]Message{"", Extended}).Draw(t, "message"),
			})
		}
		for range rapid.IntRange(0, 5).Draw(t, "shortfalls") {
			p.Shortfalls = append(p.Shortfalls, Shortfall{
				Beacon: name.Draw(t, "beacon"), Wanted: rapid.IntRange(0, 1000).Draw(t, "wanted"),
				Granted: rapid.IntRange(0, 1000).Draw(t, "granted"), Reason: rapid.StringN(0, 50, 200).Draw(t, "reason"),
			})
		}
		p.Transmissions = sortedTransmissions(p.Transmissions)
		p.Shortfalls = sortedShortfalls(p.Shortfalls)
		got, err := Decode(p.Encode())
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(p, got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	})
}

// TestQuickAndAny: what is read quickly is read as any JSON is, and what Encode
// writes is read quickly unless something in it is escaped.
func TestQuickAndAny(t *testing.T) {
	_, p := crowd(t, 100, 1)
	p.Shortfalls = append(p.Shortfalls, Shortfall{"b1", "6m", 0, 0, "kein Platz – zu groß"})
	sameQuickly(t, p.Encode(), true)
	sameQuickly(t, bytes.ReplaceAll(p.Encode(), []byte(", "), []byte(" ,\r\n\t")), true)
	for _, change := range [][2]string{
		{`"network"`, `"Network"`},
		{`7040101.5`, `7.0401015e6`},
		{`7040101.5`, `07040101.5`},
		{`7040101.5`, `+7040101.5`},
		{`7040101.5`, `7040101.`},
		{`7040101.5`, `.5`},
		{`7040101.5`, `--1`},
		{`7040101.5`, `1-1`},
		{`7040101.5`, `null`},
		{`"40m"`, `"4\u0030m"`},
		{`"40m"`, "\"40\xffm\""},
		{`"40m"`, "\"40\nm\""},
		{`"band": "40m"`, `"band": "40m", "band": "20m"`},
		{`"wanted": 144`, `"wanted": 99999999999999999999`},
		{`]}`, `],}`},
		{`]}`, `]} {}`},
		{`]}`, `]`},
		{`"shortfalls"`, `"short"`},
		{`"hilltop-hf", "band": "6m"`, `"hilltop-hf", "band": 6`},
		{`"hilltop-hf", "band": "6m"`, `"hilltop-hf", "bandage": "6m"`},
	} {
		if !strings.Contains(small, change[0]) {
			t.Fatalf("%q is not there", change[0])
		}
		sameQuickly(t, []byte(strings.ReplaceAll(small, change[0], change[1])), false)
	}
	sameQuickly(t, nil, false)
	sameQuickly(t, []byte(strings.Replace(`{"network":"n","from":"a","to":"b","slot_seconds":120,"transmissions":[],"shortfalls":[{"beacon":"x","band":"6m","wanted":2,"granted":1,"reason":""}]}`, `"band"`, `"wanted"`, 1)), false)
}

// sameQuickly fails when a file is read quickly in another way than as any JSON.
func sameQuickly(t *testing.T, data []byte, must bool) {
	t.Helper()
	quickly, ok := readQuickly(data)
	if !ok {
		if must {
			t.Errorf("not read quickly: %.200s", data)
		}
		return
	}
	thoroughly, err := readAny(data)
	if err != nil {
		t.Errorf("read quickly, but %v: %.200s", err, data)
		return
	}
	if diff := cmp.Diff(thoroughly, quickly); diff != "" {
		t.Errorf("read quickly it is another (-want +got):\n%s", diff)
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte(small))
	f.Add([]byte(`{"network":"x","from":"2026-12-01T00:00:00Z","to":"2026-12-02T00:00:00Z","slot_seconds":10}`))
	f.Add([]byte(strings.ReplaceAll(small, `\"6m\"`, "6m")))
	f.Fuzz(func(t *testing.T, data []byte) {
		sameQuickly(t, data, false)
		p, err := Decode(data)
		if err != nil {
			return
		}
		once := p.Encode()
		again, err := Decode(once)
		if err != nil {
			t.Fatalf("does not read what it wrote: %v\n%s", err, once)
		}
		if !bytes.Equal(again.Encode(), once) {
			t.Errorf("not the same bytes again:\n%s\n%s", once, again.Encode())
		}
	})
}
