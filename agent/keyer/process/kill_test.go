package process_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"lamplighter/agent/keyer/process"
)

// beaconOf is an agent and its keyer, as real processes.
type beaconOf struct {
	t     *testing.T
	dir   string
	agent *exec.Cmd
	end   chan error
}

func startBeacon(t *testing.T) *beaconOf {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	b := &beaconOf{t: t, dir: dir, agent: exec.Command(os.Args[0], "agent", dir), end: make(chan error, 1)}
	b.agent.Stderr = t.Output()
	if err := b.agent.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { b.end <- b.agent.Wait() }()
	return b
}

// stop ends what is left, and waits until nobody writes to the folder any more.
func (b *beaconOf) stop() {
	_ = b.agent.Process.Kill()
	for _, name := range []string{"pid", "standby"} {
		text, err := os.ReadFile(filepath.Join(b.dir, name))
		pid, _ := strconv.Atoi(string(text))
		if err != nil || pid == 0 {
			continue // it was never started
		}
		_ = syscall.Kill(pid, syscall.SIGCONT)
		_ = syscall.Kill(pid, syscall.SIGKILL)
		look := time.NewTicker(time.Millisecond)
		for runs(pid) {
			<-look.C
		}
		look.Stop()
	}
}

// runs says whether a process is there, and not only waited for.
func runs(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err == nil && !bytes.Contains(stat, []byte(") Z "))
}

func (b *beaconOf) killKeyer() { _ = syscall.Kill(keyerOf(b.t, b.dir), syscall.SIGKILL) }

func (b *beaconOf) killAgent() { _ = b.agent.Process.Kill() }

// off is what the service manager runs when the agent has ended.
func (b *beaconOf) off() {
	if err := <-b.end; err == nil {
		b.t.Error("a killed agent ended well")
	}
	if err := exec.Command(os.Args[0], "off", b.dir).Run(); err != nil {
		b.t.Errorf("off: %v", err)
	}
}

// up waits until somebody stands by, which a busy machine may take seconds to
// start, and the key is down. A keyer whose simulated bus was too slow for it
// when it opened the transmitter ends, and its agent with it: false.
func (b *beaconOf) up() bool {
	b.t.Helper()
	look := time.NewTicker(2 * time.Millisecond)
	defer look.Stop()
	limit := time.After(3 * time.Minute)
	for {
		select {
		case <-look.C:
			_, err := os.Stat(filepath.Join(b.dir, "standby"))
			if all := changes(b.t, b.dir); err == nil && len(all) > 0 && all[len(all)-1].level == high {
				return true
			}
		case err := <-b.end:
			b.end <- err
			return false
		case <-limit:
			said, _ := os.ReadFile(filepath.Join(b.dir, "said"))
			b.t.Fatalf("not keyed: %v; the keyer said last: %s", changes(b.t, b.dir), said)
		}
	}
}

// startKeyed is a beacon that is on the air.
func startKeyed(t *testing.T) *beaconOf {
	t.Helper()
	for {
		b := startBeacon(t)
		if b.up() {
			return b
		}
		b.stop()
	}
}

// kills are the ways to lose the software above a key line that is down, and
// how long it may stay down then. The clear separation in ordinary runs is the
// transmission, which would go on for a second more.
var kills = []struct {
	what  string
	limit time.Duration
	do    func(*beaconOf)
}{
	{"agent SIGKILL", 200 * time.Millisecond, (*beaconOf).killAgent},
	{"agent SIGSTOP", 500 * time.Millisecond, func(b *beaconOf) { _ = b.agent.Process.Signal(syscall.SIGSTOP) }},
	{"keyer SIGKILL", 200 * time.Millisecond, (*beaconOf).killKeyer},
	{"agent and keyer SIGKILL", 200 * time.Millisecond, func(b *beaconOf) { b.killAgent(); b.killKeyer(); b.off() }},
	{"agent SIGKILL, bus held low", 200 * time.Millisecond, func(b *beaconOf) {
		if err := os.WriteFile(holdBus(b.dir), nil, 0o600); err != nil {
			b.t.Error(err)
		}
		b.killAgent()
	}},
}

// bystander is a process that waits for the end of a pipe, and then says when
// that was: what this machine, busy as it is, takes to wake a process at all.
type bystander struct {
	cmd *exec.Cmd
	in  io.Closer
	out io.Reader
}

func bystanderProcess(string) error {
	_, _ = io.ReadAll(os.Stdin) // to its end
	_, err := fmt.Println(process.MachineClock{}.Now().Boot.Nanoseconds())
	return err
}

func startBystander(t *testing.T) *bystander {
	t.Helper()
	b := &bystander{cmd: exec.Command(os.Args[0], "bystander", "")}
	in, toErr := b.cmd.StdinPipe()
	out, fromErr := b.cmd.StdoutPipe()
	if err := errors.Join(toErr, fromErr, b.cmd.Start()); err != nil {
		t.Fatal(err)
	}
	b.in, b.out = in, out
	return b
}

// woke says when it was awake, on the boot clock.
func (b *bystander) woke(t *testing.T) (at time.Duration) {
	t.Helper()
	if _, err := fmt.Fscan(b.out, &at); err != nil {
		t.Errorf("a bystander says nothing: %v", err)
	}
	_ = b.cmd.Wait()
	return at
}

// latency is how long a key line stayed down, and how long a bystander took to
// wake beside it.
type latency struct{ line, bare time.Duration }

// moment kills at a random moment of a transmission, and gives the time until
// the key line is up. It does not count when the transmission was over by then.
func moment(t *testing.T, do func(*beaconOf), random *rand.Rand) (took latency, counts bool) {
	t.Helper()
	beside := startBystander(t)
	b := startKeyed(t)
	defer b.stop()
	wait := time.NewTimer(time.Duration(random.Int64N(int64(700 * time.Millisecond))))
	<-wait.C
	over := false
	if all := changes(t, b.dir); all[len(all)-1].level != high {
		over = true
	}
	began := process.MachineClock{}.Now().Boot
	_ = beside.in.Close()
	do(b)
	took = latency{max(0, awaitWire(t, b.dir, low)-began), beside.woke(t) - began}
	return took, !over
}

// spread is what of many times matters.
func spread(all []time.Duration) string {
	slices.Sort(all)
	return fmt.Sprintf("p50 %v, p99 %v, worst %v", all[len(all)/2], all[len(all)*99/100], all[len(all)-1])
}

func TestS7KillsAtRandomMoments(t *testing.T) {
	for i, kill := range kills {
		t.Run(kill.what, func(t *testing.T) {
			t.Parallel()
			var mu sync.Mutex
			var took, bare []time.Duration
			var together sync.WaitGroup
			for n := range atOnce {
				together.Go(func() {
					random := rand.New(rand.NewPCG(uint64(i), uint64(n)))
					for left := moments / atOnce; left > 0; {
						d, counts := moment(t, kill.do, random)
						if !counts {
							continue
						}
						left--
						mu.Lock()
						took, bare = append(took, d.line), append(bare, d.bare)
						mu.Unlock()
					}
				})
			}
			together.Wait()
			t.Logf("%s: %d moments: %s; promised %v; bare wakes beside them: %s", kill.what, len(took), spread(took), kill.limit, spread(bare))
			if worst := took[len(took)-1]; worst > kill.limit+margin {
				t.Errorf("keyed for %v", worst)
			}
		})
	}
}
