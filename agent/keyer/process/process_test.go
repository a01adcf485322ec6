package process_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/keyer"
	"lamplighter/agent/keyer/process"
	"lamplighter/agent/transmitter"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/setup"
)

// roles are what this program may be started as, for a folder.
var roles = map[string]func(dir string) error{
	"keyer": keyerProcess, "gated": gatedProcess, "agent": agentProcess, "standby": standbyProcess, "off": offProcess,
	"bystander": bystanderProcess,
}

// TestMain is a keyer, an agent or what silences when it is started as one.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && roles[os.Args[1]] != nil {
		if err := roles[os.Args[1]](os.Args[2]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func keyerProcess(dir string) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
	defer stop()
	if err := sayPID(dir); err != nil {
		return err
	}
	driver, err := transmitter.Open(setup.Transmitter{Driver: "simulated", Log: tones(dir)}, time.Now)
	if err != nil {
		return err
	}
	return process.Run(ctx, process.Options{
		Config: config(), Dir: dir, Operators: true, Transmitter: opened(driver), In: os.Stdin, Out: os.Stdout,
	})
}

// sayPID tells a test which process a keyer is.
func sayPID(dir string) error {
	return os.WriteFile(filepath.Join(dir, "pid"), []byte(strconv.Itoa(os.Getpid())), 0o600)
}

// opened is a transmitter that is there already.
func opened(d transmitter.Driver) func() (transmitter.Driver, error) {
	return func() (transmitter.Driver, error) { return d, nil }
}

func tones(dir string) string { return filepath.Join(dir, "tones") }

const (
	network = "qnet"
	beacon  = "mill-hf"
	seconds = 2 // a slot, so that there is soon one
)

func signer() *seal.Signer {
	s, err := seal.NewSigner(bytes.NewReader(bytes.Repeat([]byte{1}, 32)))
	if err != nil {
		panic(err)
	}
	return s
}

func config() keyer.Config {
	return keyer.Config{
		Network: network, Beacon: beacon, Keys: seal.NewKeyring(signer().Public()), SimulatedTransmitter: true,
	}
}

// agent is as much of an agent as a keyer needs.
type agent struct {
	t      *testing.T
	client *process.Client
	stop   chan struct{}
	done   chan struct{}
}

func newAgent(t *testing.T, client *process.Client) *agent {
	a := &agent{t: t, client: client, stop: make(chan struct{}), done: make(chan struct{})}
	go a.beat()
	t.Cleanup(func() {
		a.silent()
		_ = client.Close()
	})
	return a
}

// start is an agent with a keyer in a process of its own.
func start(t *testing.T, dir string) *agent {
	t.Helper()
	client, err := process.Start(t.Context(), os.Args[0], process.Commands{Run: []string{"keyer", dir}})
	if err != nil {
		t.Fatal(err)
	}
	return newAgent(t, client)
}

func (a *agent) beat() {
	defer close(a.done)
	ticker := time.NewTicker(50 * time.Millisecond)
	defer ticker.Stop()
	for {
		if a.client.Send(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Heartbeat{Heartbeat: &keyerv1.Heartbeat{
			ClockErrorBoundNs: proto.Int64(1e6), FrequencyUncertaintyPpb: proto.Float64(1),
		}}}) != nil {
			return
		}
		select {
		case <-ticker.C:
		case <-a.stop:
			return
		}
	}
}

// silent ends the heartbeat.
func (a *agent) silent() {
	select {
	case <-a.done:
	default:
		close(a.stop)
		<-a.done
	}
}

func (a *agent) send(m *keyerv1.ToKeyer) {
	a.t.Helper()
	if err := a.client.Send(m); err != nil {
		a.t.Fatal(err)
	}
}

// until reads what the keyer says until found finds what it looks for.
func until[T any](a *agent, what string, found func(*keyerv1.FromKeyer) (T, bool)) T {
	a.t.Helper()
	timeout := time.NewTimer(3 * time.Minute)
	defer timeout.Stop()
	for {
		select {
		case m, ok := <-a.client.Messages():
			if !ok {
				a.t.Fatalf("the keyer is gone before %s: %v", what, a.client.Err())
			}
			if value, ok := found(m); ok {
				return value
			}
		case <-timeout.C:
			a.t.Fatalf("no %s in three minutes", what)
		}
	}
}

func (a *agent) verdict(want string) *keyerv1.Verdict {
	a.t.Helper()
	v := until(a, "verdict", func(m *keyerv1.FromKeyer) (*keyerv1.Verdict, bool) { return m.GetVerdict(), m.GetVerdict() != nil })
	if v.GetRefusal() != want {
		a.t.Fatalf("verdict %v, wanted %q", v, want)
	}
	return v
}

func (a *agent) status(what string, want func(*keyerv1.Status) bool) *keyerv1.Status {
	a.t.Helper()
	return until(a, "status: "+what, func(m *keyerv1.FromKeyer) (*keyerv1.Status, bool) {
		return m.GetStatus(), m.GetStatus() != nil && want(m.GetStatus())
	})
}

func (a *agent) ended() *keyerv1.Ended {
	a.t.Helper()
	return until(a, "end", func(m *keyerv1.FromKeyer) (*keyerv1.Ended, bool) { return m.GetEnded(), m.GetEnded() != nil })
}

func (a *agent) keyed() *keyerv1.Keyed {
	a.t.Helper()
	return until(a, "key-down", func(m *keyerv1.FromKeyer) (*keyerv1.Keyed, bool) {
		if m.GetEnded() != nil {
			a.t.Fatalf("not keyed: %v", m.GetEnded())
		}
		return m.GetKeyed(), m.GetKeyed() != nil
	})
}

func sealed(purpose seal.Purpose, m proto.Message) []byte {
	payload, err := proto.Marshal(m)
	if err != nil {
		panic(err)
	}
	return signer().Seal(purpose, network, beacon, payload)
}

func hush(number uint64, bands ...string) *keyerv1.ToKeyer {
	h := &wirev1.Hush{Network: network, Beacon: beacon, Epoch: 1, Number: number}
	for _, band := range bands {
		h.Scopes = append(h.Scopes, &wirev1.HushScope{Band: band})
	}
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Hush{Hush: sealed(seal.Hush, h)}}
}

// orders list every slot from now on for a good while.
func orders(length int64) *keyerv1.ToKeyer { return ordersFor(length, 500) }

func ordersFor(length, slots int64) *keyerv1.ToKeyer {
	from := time.Now().Unix() / length
	o := &wirev1.Orders{
		Network: network, Beacon: beacon, Epoch: 1, Revision: 1, SlotSeconds: uint32(length), FromSlot: from, ToSlot: from + slots,
	}
	for n := from; n < from+slots; n++ {
		o.Transmissions = append(o.Transmissions, &wirev1.Transmission{
			Slot: n, Band: "40m", FrequencyMillihertz: 7040100_000, UncertaintyMillihertz: 5000, DrivePercent: 50,
			Message: &wirev1.Message{Callsign: "Q1ABC", Locator: "JO62", PowerDbm: 30, Kind: wirev1.MessageKind_MESSAGE_KIND_FULL},
			Control: wirev1.Control_CONTROL_REMOTE,
		})
	}
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Orders{Orders: sealed(seal.Orders, o)}}
}

func envelope(length int64) *keyerv1.ToKeyer {
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Envelope{Envelope: sealed(seal.Envelope, &wirev1.Envelope{
		Network: network, Beacon: beacon, Number: 1, Callsign: "Q1ABC", SlotSeconds: uint32(length),
		Bands: []*wirev1.EnvelopeBand{{
			Band: "40m", Control: wirev1.Control_CONTROL_REMOTE, MaxPowerDbm: 37,
			Segments: []*wirev1.Segment{{FromHz: 7040000, ToHz: 7040200, LimitDbm: 37}},
		}},
	})}}
}

func (a *agent) lease() {
	a.t.Helper()
	a.send(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_NonceRequest{NonceRequest: &keyerv1.NonceRequest{}}})
	nonce := until(a, "nonce", func(m *keyerv1.FromKeyer) (*keyerv1.Nonce, bool) { return m.GetNonce(), m.GetNonce() != nil })
	a.send(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Lease{Lease: sealed(seal.Lease, &wirev1.LeaseGrant{
		Network: network, Beacon: beacon, Nonce: nonce.GetNonce(), BootId: nonce.GetBootId(), Epoch: 1,
		Terms: []*wirev1.LeaseTerm{{Control: wirev1.Control_CONTROL_REMOTE, TimeToLiveMs: 180_000}},
	})}})
	a.verdict("")
}

// ready gives the keyer all that it needs.
func (a *agent) ready(length int64) {
	a.t.Helper()
	a.send(envelope(length))
	a.verdict("")
	a.send(orders(length))
	a.verdict("")
	a.lease()
}

// permit permits the slot after the next.
func (a *agent) permit(length int64) int64 {
	a.t.Helper()
	slot := time.Now().Add(300*time.Millisecond).Unix()/length + 1
	a.send(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Permit{Permit: &keyerv1.Permit{
		Slot: slot, Orders: &wirev1.OrdersNumber{Epoch: 1, Revision: 1},
	}}})
	return slot
}

func logLines(t *testing.T, dir string) []string {
	t.Helper()
	text, err := os.ReadFile(tones(dir))
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSpace(string(text)), "\n")
}

func TestAProcessTransmitsAndEndsInGoodOrder(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	a := start(t, dir)
	a.ready(seconds)
	slot := a.permit(seconds)
	keyed := a.keyed()
	nominal := slot*seconds*1_000_000 + seconds*1_000_000/120
	if late := keyed.GetKeyedUnixUs() - nominal; late < 0 || late > 200_000 {
		t.Errorf("keyed %d µs after the nominal instant", late)
	}
	end := a.ended()
	if end.GetKind() != wirev1.OutcomeKind_OUTCOME_KIND_SENT || end.GetSymbols() != 162 {
		t.Fatalf("%v", end)
	}
	lines := logLines(t, dir)
	if len(lines) != 163 || !strings.Contains(lines[0], `"did":"key"`) || !strings.Contains(lines[162], `"did":"unkey"`) {
		t.Errorf("%d lines in the log of tones", len(lines))
	}
	a.silent()
	if err := a.client.Close(); err != nil {
		t.Errorf("an orderly end: %v", err)
	}
	if a.client.Send(hush(1)) == nil {
		t.Error("sent to a keyer that is closed")
	}
}

func TestS7TheKeyGoesUp(t *testing.T) {
	for _, c := range []struct {
		what  string
		leave func(*agent)
		limit time.Duration
	}{
		{"when the agent closes", func(a *agent) { _ = a.client.Close() }, 200 * time.Millisecond},
		{"when the agent's heart stops", func(a *agent) { a.silent(); a.ended() }, 500 * time.Millisecond},
		{"at a hush", func(a *agent) { a.send(hush(1, "")); a.verdict("") }, time.Second},
		{"at a stop", func(a *agent) {
			a.send(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Stop{Stop: &keyerv1.Stop{}}})
			a.ended()
		}, 200 * time.Millisecond},
	} {
		t.Run(c.what, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			a := start(t, dir)
			a.ready(longer)
			a.permit(longer)
			a.keyed()
			asked := time.Now()
			c.leave(a)
			a.silent()
			_ = a.client.Close()
			lines := logLines(t, dir)
			var last struct {
				At  time.Time
				Did string
			}
			if err := json.Unmarshal([]byte(lines[len(lines)-1]), &last); err != nil {
				t.Fatal(err)
			}
			if last.Did != "unkey" || len(lines) > 150 {
				t.Errorf("%d lines, the last of them %q", len(lines), last.Did)
			}
			took := last.At.Sub(asked)
			t.Logf("key-up after %v", took)
			if took > c.limit+margin {
				t.Errorf("key-up after %v", took)
			}
		})
	}
}

// longer is a slot that leaves time to break things.
const longer = 5

func TestAKeyerThatIsKilledGoesOnWithItsLeaseButNotWithItsSlot(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	a := start(t, dir)
	a.ready(longer)
	slot := a.permit(longer)
	a.keyed()
	a.silent()
	kill(t, dir)
	for range a.client.Messages() { // until it is gone
	}
	if err := a.client.Err(); err == nil || !strings.Contains(err.Error(), "killed") {
		t.Errorf("gone because of %v", err)
	}
	if err := a.client.Send(hush(1)); err == nil {
		t.Error("sent to a keyer that is gone")
	}
	// Garbage of a write that was under way.
	if err := os.WriteFile(filepath.Join(dir, "keyer.state.new"), []byte("half a st"), 0o600); err != nil {
		t.Fatal(err)
	}

	b := start(t, dir)
	s := b.status("without a reason to be mute", func(s *keyerv1.Status) bool { return s.GetMuteReason() == "" })
	if left := s.GetLeaseLeft(); len(left) != 1 || left[0].GetTimeToLiveMs() < 150_000 || s.GetOrders().GetRevision() != 1 {
		t.Errorf("after a restart: %v", s)
	}
	b.send(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Permit{Permit: &keyerv1.Permit{
		Slot: slot, Orders: &wirev1.OrdersNumber{Epoch: 1, Revision: 1},
	}}})
	if end := b.ended(); end.GetReason() != string(keyer.Late) {
		t.Errorf("the slot that was broken off: %v", end)
	}
	b.permit(longer)
	b.keyed()
}

// kill ends the keyer of a folder as the kernel would.
func kill(t *testing.T, dir string) {
	t.Helper()
	pid, err := os.ReadFile(filepath.Join(dir, "pid"))
	if err != nil {
		t.Fatal(err)
	}
	n, err := strconv.Atoi(string(pid))
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(n, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
}

func TestASecondKeyerIsRefused(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	a := start(t, dir)
	a.status("any", func(*keyerv1.Status) bool { return true })
	var said bytes.Buffer
	cmd := exec.Command(os.Args[0], "keyer", dir)
	cmd.Stderr = &said
	if err := cmd.Run(); err == nil || !strings.Contains(said.String(), "another keyer is at work") {
		t.Errorf("%v: %s", err, said.String())
	}
}

func TestAFullDiskRefusesOrdersAndObeysAHush(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	a := start(t, dir)
	a.ready(longer)
	// A folder where the next state is to be written: what a full disk does,
	// for root as well.
	if err := os.Mkdir(filepath.Join(dir, "keyer.state.new"), 0o700); err != nil {
		t.Fatal(err)
	}
	a.permit(longer)
	a.keyed()
	a.send(hush(1, ""))
	if end := a.ended(); end.GetReason() != string(keyer.Hushed) {
		t.Errorf("%v", end)
	}
	v := a.verdict(string(keyer.NotOnDisk))
	if !strings.Contains(v.GetSentence(), "silent all the same") {
		t.Errorf("%v", v)
	}
	if err := os.Remove(filepath.Join(dir, "keyer.state.new")); err != nil {
		t.Fatal(err)
	}
	a.status("the hush on disk", func(s *keyerv1.Status) bool { return s.GetHush().GetNumber() == 1 && s.GetHushSilent() })
}

func TestAGarbledStateIsSaid(t *testing.T) {
	for name, text := range map[string]string{"garbled": "what is this", "empty": ""} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "keyer.state"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		s := start(t, dir).status(name, func(*keyerv1.Status) bool { return true })
		if s.GetTripped() != string(keyer.StateGarbled) || !s.GetHushed() {
			t.Errorf("%s: %v", name, s)
		}
	}
}

func TestStartOfWhatIsNotThere(t *testing.T) {
	if _, err := process.Start(t.Context(), filepath.Join(t.TempDir(), "none"), process.Commands{}); err == nil {
		t.Error("started")
	}
}
