package doctor

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/clock/judge"
	"lamplighter/agent/core"
	"lamplighter/agent/local"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/setup"
)

var now = time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)

// expect holds findings against verdict and words, in order.
func expect(t *testing.T, found []Finding, want ...[2]string) {
	t.Helper()
	if len(found) != len(want) {
		t.Fatalf("found %+v, want %d findings", found, len(want))
	}
	for i, w := range want {
		f := found[i]
		if string(f.Verdict) != w[0] || !strings.Contains(f.Sentence, w[1]) {
			t.Errorf("found %+v, want %s: %s", f, w[0], w[1])
		}
		if f.Verdict == Wrong && f.Advice == "" {
			t.Errorf("nothing is said about what to do: %+v", f)
		}
	}
}

// receiver says some things, and then nothing or an error.
type receiver struct {
	events []judge.Event
	err    error
}

func (receiver) String() string { return "gpsd at localhost:2947" }

func (r receiver) Run(ctx context.Context, tell func(judge.Event)) error {
	for _, e := range r.events {
		tell(e)
	}
	if r.err != nil {
		return r.err
	}
	<-ctx.Done()
	return ctx.Err()
}

func TestReceiver(t *testing.T) {
	fix := judge.Sentence{Time: now, Fix: judge.FixReal}
	for _, test := range []struct {
		name     string
		receiver receiver
		want     [2]string
	}{
		{"not there", receiver{err: errors.New("gpsd does not answer")}, [2]string{"wrong", "can't be heard: gpsd does not answer"}},
		{"silent", receiver{}, [2]string{"wrong", "Nothing came from gpsd at localhost:2947"}},
		{"no fix", receiver{events: []judge.Event{judge.Sentence{}, judge.Satellites{Used: 2}}}, [2]string{"wrong", "no fix with 2 satellites"}},
		{"simulated", receiver{events: []judge.Event{judge.Sentence{Fix: judge.FixDoubted}}}, [2]string{"wrong", "not come from satellites"}},
		{"no pulse", receiver{events: []judge.Event{fix}}, [2]string{"note", "No pulse was heard"}},
		{"all well", receiver{events: []judge.Event{fix, judge.Satellites{Used: 8}, judge.Pulse{}}}, [2]string{"well", "a fix with 8 satellites, and its pulse"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				expect(t, Patient{Receiver: test.receiver, Listen: 15 * time.Second}.receiver(t.Context(), nil), test.want)
			})
		})
	}
	expect(t, Patient{}.receiver(t.Context(), nil), [2]string{"unasked", "no GPS receiver"})
	eight := uint32(8)
	p := Patient{Receiver: receiver{}}
	expect(t, p.receiver(t.Context(), &wirev1.Health{Lock: wirev1.Lock_LOCK_LOCKED, Satellites: &eight}), [2]string{"well", "a fix with 8"})
	expect(t, p.receiver(t.Context(), &wirev1.Health{Lock: wirev1.Lock_LOCK_HOLDOVER, ClockReason: "no_fix"}), [2]string{"wrong", "battery clock"})
}

func TestClock(t *testing.T) {
	ppb, left := 40.0, 3*time.Hour+10*time.Minute
	well := core.Reading{Known: true, Bound: time.Millisecond, Reason: "agreed", SilentIn: &left, FrequencyPPB: &ppb}
	for _, test := range []struct {
		name   string
		change func(*core.Reading)
		want   [][2]string
	}{
		{"all well", func(*core.Reading) {}, [][2]string{{"well", "known to 1ms. Without any further word the beacon falls silent in 3h10m0s"}, {"well", "40 parts per billion, which is 0.56 Hz at 14 MHz"}}},
		{"not known", func(r *core.Reading) { r.Known, r.Reason = false, "one_witness" }, [][2]string{{"wrong", "Only one source"}, {"well", ""}}},
		{"doubtful", func(r *core.Reading) { r.Bound = 200 * time.Millisecond }, [][2]string{{"note", "wrong by 200ms"}, {"well", ""}}},
		{"too wrong", func(r *core.Reading) { r.Bound = 600 * time.Millisecond }, [][2]string{{"wrong", "beyond 500ms the beacon is silent"}, {"well", ""}}},
		{"frequency not known", func(r *core.Reading) { r.FrequencyPPB = nil }, [][2]string{{"well", ""}, {"wrong", "A locked clock says nothing"}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := well
				test.change(&r)
				p := Patient{Listen: 15 * time.Second, Readings: func(ctx context.Context) <-chan core.Reading {
					readings := make(chan core.Reading, 2)
					readings <- core.Reading{Reason: "starting"}
					readings <- r
					context.AfterFunc(ctx, func() { close(readings) })
					return readings
				}}
				expect(t, p.clock(t.Context(), nil), test.want...)
			})
		})
	}
	ns, silent := int64(2_000_000), uint64(7200)
	expect(t, Patient{}.clock(t.Context(), &wirev1.Health{ClockErrorBoundNs: &ns, SilentInSeconds: &silent, FrequencyUncertaintyPpb: &ppb}),
		[2]string{"well", "known to 2ms. Without any further word the beacon falls silent in 2h0m0s"}, [2]string{"well", "40 parts"})
	expect(t, Patient{}.clock(t.Context(), &wirev1.Health{ClockReason: "no_fix"}), [2]string{"wrong", "no fix"}, [2]string{"wrong", "not known"})
}

func TestBusAndLines(t *testing.T) {
	devices := t.TempDir()
	for _, name := range []string{"i2c-1", "gpiochip0", "ttyUSB0"} {
		if err := os.WriteFile(filepath.Join(devices, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	one, two := 1, 2
	line := func(chip string) setup.Line { return setup.Line{Chip: chip, Line: 17, Active: "high"} }
	there, missing := line("gpiochip0"), line("gpiochip7")
	for _, test := range []struct {
		name        string
		transmitter setup.Transmitter
		bus, lines  [][2]string
	}{
		{
			"a clock generator",
			setup.Transmitter{Driver: "clock-generator", Bus: &one, KeyLine: &there, Amplifier: &setup.Amplifier{Line: there}},
			[][2]string{{"well", "i2c-1 is there"}},
			[][2]string{{"well", "gpiochip0 is there"}},
		},
		{
			"a clock generator that is not there",
			setup.Transmitter{Driver: "clock-generator", Bus: &two, KeyLine: &missing},
			[][2]string{{"wrong", "i2c-2 can't be used"}},
			[][2]string{{"wrong", "gpiochip7 can't be used"}},
		},
		{
			"no key line",
			setup.Transmitter{Driver: "clock-generator", Bus: &one, Relays: []setup.Relay{{Line: missing}}},
			[][2]string{{"well", ""}},
			[][2]string{{"note", "local control only"}, {"wrong", "gpiochip7"}},
		},
		{
			"a serial keyer",
			setup.Transmitter{Driver: "serial", Port: filepath.Join(devices, "ttyUSB0")},
			[][2]string{{"well", "ttyUSB0 is there"}},
			[][2]string{{"unasked", "no line"}},
		},
		{
			"a command",
			setup.Transmitter{Driver: "command", Command: []string{"/bin/sh"}},
			[][2]string{{"well", "/bin/sh is there"}},
			[][2]string{{"unasked", "no line"}},
		},
		{
			"a command that can't be called",
			setup.Transmitter{Driver: "command", Command: []string{filepath.Join(devices, "i2c-1")}},
			[][2]string{{"wrong", "can't be called"}},
			[][2]string{{"unasked", "no line"}},
		},
		{
			"coding pins and an interlock",
			setup.Transmitter{
				Driver: "command", Command: []string{"/bin/sh"},
				Plug: &setup.Plug{Pins: []setup.Line{there}}, Interlocks: []setup.Interlock{{Line: missing}},
			},
			[][2]string{{"well", ""}},
			[][2]string{{"well", "gpiochip0"}, {"wrong", "gpiochip7"}},
		},
		{
			"a simulated one",
			setup.Transmitter{Driver: "simulated"},
			[][2]string{{"note", "nothing will ever be on the air"}},
			[][2]string{{"unasked", "no line"}},
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			p := Patient{File: &setup.File{Transmitter: test.transmitter}, Devices: devices}
			expect(t, p.bus(t.Context()), test.bus...)
			expect(t, p.keyLine(t.Context()), test.lines...)
		})
	}
}

func TestDisk(t *testing.T) {
	folder := t.TempDir()
	file := filepath.Join(folder, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	look := func(folder string) []Finding {
		return Patient{File: &setup.File{Folder: folder}}.disk(t.Context())
	}
	expect(t, look(filepath.Join(folder, "missing")), [2]string{"note", "does not exist yet"})
	expect(t, look(file), [2]string{"wrong", "is no folder"})
	expect(t, look(filepath.Join(file, "below")), [2]string{"wrong", "can't be looked at"})
	expect(t, room(folder, 1<<30), [2]string{"well", "1024 MB are free"})
	expect(t, room(folder, 400<<20), [2]string{"note", "400 MB"})
	expect(t, room(folder, 10<<20), [2]string{"wrong", "10 MB"})
	if err := os.WriteFile(filepath.Join(folder, "outbox.db.broken-1"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if found := look(folder); found[0].Verdict != Note || !strings.Contains(found[0].Sentence, "outbox.db.broken-1") {
		t.Errorf("%+v", found)
	}
}

func TestBroker(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := listener.Addr().String()
	look := func(address string) []Finding {
		return Patient{File: &setup.File{Broker: address}}.broker(t.Context())
	}
	expect(t, look("tcp://"+at), [2]string{"note", "not encrypted"})
	expect(t, look("ssl://"+at), [2]string{"well", "can be reached"})
	expect(t, look("ssl://localhost"), [2]string{"wrong", "has no port"})
	if err := listener.Close(); err != nil {
		t.Fatal(err)
	}
	expect(t, look("ssl://"+at), [2]string{"wrong", "can't be reached"})
}

func TestCertificate(t *testing.T) {
	folder := t.TempDir()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	write := func(name string, from, to time.Time) {
		made := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "mill-hf"}, NotBefore: from, NotAfter: to}
		raw, err := x509.CreateCertificate(rand.Reader, made, made, &key.PublicKey, key)
		if err != nil {
			t.Fatal(err)
		}
		text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: raw})
		if err := os.WriteFile(filepath.Join(folder, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	look := func() []Finding {
		return Patient{File: &setup.File{Identity: &setup.Identity{Folder: folder}}, Now: now}.certificate(t.Context())
	}
	expect(t, Patient{File: &setup.File{}}.certificate(t.Context()), [2]string{"unasked", "no certificate"})
	expect(t, look(), [2]string{"wrong", "can't be read"})
	write("authorities.pem", now.AddDate(-1, 0, 0), now.AddDate(9, 0, 0))
	well := [2]string{"well", "until 2035-12-01"}
	for _, test := range []struct {
		from, to time.Time
		want     [2]string
	}{
		{now.AddDate(0, 0, -1), now.AddDate(0, 0, 89), [2]string{"well", "mill-hf in certificate.pem counts until 2027-02-28"}},
		{now.AddDate(0, 0, -80), now.AddDate(0, 0, 10), [2]string{"note", "should have been renewed"}},
		{now.AddDate(0, 0, -90), now, [2]string{"wrong", "ran out on 2026-12-01"}},
		{now.AddDate(0, 0, 1), now.AddDate(0, 0, 90), [2]string{"wrong", "counts only from"}},
	} {
		write("certificate.pem", test.from, test.to)
		expect(t, look(), test.want, well)
	}
	if err := os.WriteFile(filepath.Join(folder, "certificate.pem"), []byte("nothing"), 0o600); err != nil {
		t.Fatal(err)
	}
	expect(t, look(), [2]string{"wrong", "no certificate in it"})
}

func TestAgentAndLease(t *testing.T) {
	until := now.Add(time.Hour).UnixMilli()
	for _, test := range []struct {
		health       *wirev1.Health
		err          error
		agent, lease [2]string
	}{
		{nil, local.ErrNotRunning, [2]string{"note", "not running"}, [2]string{"note", "only a running agent knows"}},
		{nil, errors.New("no answer"), [2]string{"wrong", "hangs: no answer"}, [2]string{"note", ""}},
		{&wirev1.Health{UptimeSeconds: 60, LeaseUntilUnixMs: &until}, nil, [2]string{"well", "has run for 1m0s"}, [2]string{"well", "until 2026-12-01T13:00:00Z"}},
		{&wirev1.Health{MuteReason: "no_lease"}, nil, [2]string{"wrong", "silent (no_lease). No lease covers"}, [2]string{"wrong", "no lease"}},
	} {
		health, found := Patient{Agent: func(context.Context) (*wirev1.Health, error) { return test.health, test.err }}.askAgent(t.Context())
		expect(t, []Finding{found}, test.agent)
		expect(t, lease(health), test.lease)
	}
	for reason := range core.Reasons() {
		switch reason {
		case core.Off, core.Stopped, core.Late, core.KeyerSilent, core.AgentRestarted: // never why it would be silent now
		default:
			if advice[reason] == "" {
				t.Errorf("nothing is said about what to do: %s", reason)
			}
		}
	}
}
