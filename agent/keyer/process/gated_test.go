package process_test

import (
	"context"
	"fmt"
	"math/big"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"periph.io/x/conn/v3/physic"

	"lamplighter/agent/keyer/process"
	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/clockgen"
	"lamplighter/agent/transmitter/clockgen/clockgentest"
	"lamplighter/agent/transmitter/clockgen/synth"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

// wire is a key line outside every process: it keeps the level that it was
// driven to last, also when who drove it is gone. That is the worst that a
// kernel and a chip do. It writes down each change with the time.
type wire struct {
	path   string
	active bool
}

const high, low = "high", "low"

func (w *wire) Set(active bool) error {
	level := low
	if w.active = active; active {
		level = high
	}
	file, err := os.OpenFile(w.path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(file, "%d %s\n", process.MachineClock{}.Now().Boot, level)
	if closed := file.Close(); err == nil {
		err = closed
	}
	return err
}

func (w *wire) Active() (bool, error) { return w.active, nil }
func (w *wire) Close() error          { return nil }

func wireOf(dir string) *wire { return &wire{path: filepath.Join(dir, "wire")} }

// change is one change of a wire.
type change struct {
	at    time.Duration // boot
	level string
}

func changes(t *testing.T, dir string) (all []change) {
	t.Helper()
	text, err := os.ReadFile(wireOf(dir).path)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		var c change
		if n, err := fmt.Sscanf(line, "%d %s\n", &c.at, &c.level); n == 2 && err == nil {
			all = append(all, c)
		}
	}
	return all
}

// awaitWire waits until a wire has a level, and says since when, in this run of
// the level.
func awaitWire(t *testing.T, dir, level string) time.Duration {
	t.Helper()
	look := time.NewTicker(2 * time.Millisecond)
	defer look.Stop()
	limit := time.After(2 * time.Minute)
	for {
		select {
		case <-look.C:
			all := changes(t, dir)
			i := len(all)
			for ; i > 0 && all[i-1].level == level; i-- {
			}
			if i < len(all) {
				return all[i].at
			}
		case <-limit:
			t.Fatalf("the wire is not %s: %v", level, changes(t, dir))
		}
	}
}

// heldBus is a bus whose clock line is held low as soon as a file says so.
type heldBus struct {
	*clockgentest.Part
	hold string
}

func (b heldBus) Tx(address uint16, w, r []byte) error {
	if _, err := os.Stat(b.hold); err == nil {
		select {} // for ever
	}
	return b.Part.Tx(address, w, r)
}

func (b heldBus) SetSpeed(physic.Frequency) error { return nil }
func (b heldBus) Close() error                    { return nil }

func holdBus(dir string) string { return filepath.Join(dir, "hold") }

// gatedProcess is a keyer with a clock generator behind a key line.
func gatedProcess(dir string) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
	defer stop()
	if err := sayPID(dir); err != nil {
		return err
	}
	return process.Run(ctx, process.Options{
		Config: config(), Dir: dir, In: os.Stdin, Out: os.Stdout,
		Transmitter: func() (transmitter.Driver, error) {
			return clockgen.Open(clockgen.Options{
				Bus: heldBus{clockgentest.New(big.NewRat(25e6, 1)), holdBus(dir)}, Address: clockgentest.Address,
				Crystal: synth.Crystal{Hz: 25e6}, KeyLine: wireOf(dir),
			})
		},
	})
}

// offProcess is what sees to the key line when a keyer is gone.
func offProcess(dir string) error {
	_, err := process.Off(dir, func() error { return wireOf(dir).Set(false) })
	return err
}

// standbyProcess waits for the keyer's end to see to the key line.
func standbyProcess(dir string) error {
	if err := os.WriteFile(filepath.Join(dir, "standby"), []byte(strconv.Itoa(os.Getpid())), 0o600); err != nil {
		return err
	}
	return process.Standby(dir, func() error { return wireOf(dir).Set(false) })
}

// agentProcess is an agent that permits every slot.
func agentProcess(dir string) error {
	client, err := process.Start(context.Background(), os.Args[0], process.Commands{
		Run: []string{"gated", dir}, Standby: []string{"standby", dir}, Off: []string{"off", dir},
	})
	if err != nil {
		return err
	}
	for _, m := range []*keyerv1.ToKeyer{envelope(seconds), orders(seconds), {Body: &keyerv1.ToKeyer_NonceRequest{NonceRequest: &keyerv1.NonceRequest{}}}} {
		if err := client.Send(m); err != nil {
			return err
		}
	}
	ticker := time.NewTicker(50 * time.Millisecond)
	for permitted := int64(0); ; {
		select {
		case <-ticker.C:
			_ = client.Send(heartbeat()) // a keyer that is gone is noticed below
			if next := time.Now().Add(300*time.Millisecond).Unix()/seconds + 1; next != permitted {
				permitted = next
				_ = client.Send(permit(next))
			}
		case m, ok := <-client.Messages():
			if !ok {
				return client.Err()
			}
			_ = os.WriteFile(filepath.Join(dir, "said"), []byte(m.String()), 0o600) // for whoever wonders why it is silent
			if n := m.GetNonce(); n != nil {
				_ = client.Send(grant(n))
			}
		}
	}
}

func heartbeat() *keyerv1.ToKeyer {
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Heartbeat{Heartbeat: &keyerv1.Heartbeat{
		ClockErrorBoundNs: proto.Int64(1e6), FrequencyUncertaintyPpb: proto.Float64(1),
	}}}
}

func permit(slot int64) *keyerv1.ToKeyer {
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Permit{Permit: &keyerv1.Permit{
		Slot: slot, Orders: &wirev1.OrdersNumber{Epoch: 1, Revision: 1},
	}}}
}

func grant(nonce *keyerv1.Nonce) *keyerv1.ToKeyer {
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Lease{Lease: sealed(seal.Lease, &wirev1.LeaseGrant{
		Network: network, Beacon: beacon, Nonce: nonce.GetNonce(), BootId: nonce.GetBootId(), Epoch: 1,
		Terms: []*wirev1.LeaseTerm{{Control: wirev1.Control_CONTROL_REMOTE, TimeToLiveMs: 180_000}},
	})}}
}
