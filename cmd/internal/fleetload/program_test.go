package fleetload

import (
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"lamplighter/coordinator/planner/testfleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/setup"
)

// patience is for conditions that hold within seconds on an idle machine.
const patience = 3 * time.Minute

// build makes the program under test, once.
var build = sync.OnceValues(func() (string, error) {
	folder, err := os.MkdirTemp("", "lamplighter-fleetload-")
	if err != nil {
		return "", err
	}
	program := filepath.Join(folder, "lamplighter")
	out, err := exec.CommandContext(context.Background(), "go", "build", "-o", program, "lamplighter/cmd/lamplighter").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("%w\n%s", err, out)
	}
	return program, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if program, err := build(); err == nil {
		_ = os.RemoveAll(filepath.Dir(program))
	}
	os.Exit(code)
}

// coordinator is the real program with a private Postgres, and its folder.
type coordinator struct {
	t                         *testing.T
	dir                       string
	grpc, http, mqtt, devices string // HOST:PORT
	encrypted                 bool
	running                   *exec.Cmd
	log                       *os.File
	conn                      *grpc.ClientConn
	fleet                     *testfleet.File
	network                   string
	beacons                   []string
	saidBefore, launched      int
}

// newCoordinator starts one that looks after so many beacons, of which one in
// ten is under remote control and all others are automatic. It leads and has
// written orders.
func newCoordinator(t *testing.T, beacons int, encrypted bool) *coordinator {
	t.Helper()
	dir, err := os.MkdirTemp("", "lamplighter-crowd-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o711); err != nil { //nolint:gosec // entered by the database's own user
		t.Fatal(err)
	}
	c := &coordinator{t: t, dir: dir, grpc: freeAddress(t), http: freeAddress(t), mqtt: freeAddress(t), devices: freeAddress(t), network: "crowd", encrypted: encrypted}
	if c.log, err = os.Create(filepath.Join(dir, "log")); err != nil {
		t.Fatal(err)
	}
	c.fleet = testfleet.Scaled("Crowd", beacons, max(1, beacons*2/5))
	c.fleet.Network["id"] = c.network
	if beacons < 1000 { // so that a few have as many slots as each of thousands
		c.fleet.Oversubscribe(float64(beacons) / 10_000)
	}
	for i, b := range c.fleet.Beacons {
		if i%10 == 0 {
			b["control"] = "remote"
		}
		b["licence"] = testfleet.Object{"max_power_dbm": 30}
		c.beacons = append(c.beacons, b["name"].(string))
	}
	c.start()
	t.Cleanup(func() {
		c.kill()
		if t.Failed() {
			text := c.said()
			t.Logf("---- the coordinator said:\n%s", text[max(0, len(text)-8000):])
		}
	})
	c.waitFor("orders are written")
	proof := insecure.NewCredentials()
	if encrypted {
		proof = credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS13, RootCAs: c.trusted(), ServerName: "localhost"})
	}
	c.conn, err = grpc.NewClient("passthrough:///"+c.grpc, grpc.WithTransportCredentials(proof),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20), grpc.MaxCallSendMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.conn.Close() })
	return c
}

func freeAddress(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // closed at once
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	return listener.Addr().String()
}

// start starts the program and returns at once.
func (c *coordinator) start() {
	c.t.Helper()
	program, err := build()
	if err != nil {
		c.t.Fatal(err)
	}
	args := []string{"serve", "--open-on-loopback", "--dir", filepath.Join(c.dir, "c"), "--grpc", c.grpc, "--http", c.http, "--mqtt", c.mqtt}
	if c.encrypted {
		args = append(args, "--tls", "--devices", c.devices)
	}
	if c.launched == 0 {
		file := filepath.Join(c.dir, "fleet.yaml")
		if err := os.WriteFile(file, c.fleet.Text(), 0o600); err != nil {
			c.t.Fatal(err)
		}
		args = append(args, "--fleet", file)
	}
	c.launched++
	c.saidBefore = len(c.said())
	c.running = exec.Command(program, args...) //nolint:noctx // it is killed below
	c.running.Stdout, c.running.Stderr = c.log, c.log
	if err := c.running.Start(); err != nil {
		c.t.Fatal(err)
	}
}

// kill ends the program at once; its database ends with it.
func (c *coordinator) kill() {
	_ = c.running.Process.Kill()
	_ = c.running.Wait()
}

func (c *coordinator) said() string {
	text, err := os.ReadFile(c.log.Name())
	if err != nil {
		c.t.Error(err)
	}
	return string(text)
}

// waitFor waits until the program has said something since its latest start.
func (c *coordinator) waitFor(what string) {
	c.t.Helper()
	c.eventually("the coordinator says: "+what, func() bool { return strings.Contains(c.said()[c.saidBefore:], what) })
}

func (c *coordinator) eventually(what string, holds func() bool) {
	c.t.Helper()
	deadline := time.After(patience)
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	for !holds() {
		select {
		case <-again.C:
		case <-deadline:
			c.t.Fatalf("not within %s: %s", patience, what)
		}
	}
}

// change changes the fleet so that every beacon gets other orders: with another
// uncertainty in each of its slots.
func (c *coordinator) change() {
	c.t.Helper()
	other := 0.04
	if c.fleet.Beacons[0]["uncertainty_ppm"] == other {
		other = 0.05
	}
	for _, b := range c.fleet.Beacons {
		b["uncertainty_ppm"] = other
	}
	service := apiv1.NewFleetServiceClient(c.conn)
	current, err := service.GetFleet(c.t.Context(), &apiv1.GetFleetRequest{})
	if err != nil {
		c.t.Fatal(err)
	}
	_, err = service.ApplyFleet(c.t.Context(), &apiv1.ApplyFleetRequest{Yaml: string(c.fleet.Text()), File: "fleet.yaml", BasedOn: current.GetVersion()})
	if err != nil {
		c.t.Fatal(err)
	}
}

// keyring is what the agents check messages with, as their configuration says.
func (c *coordinator) keyring() seal.Keyring {
	c.t.Helper()
	answer, err := apiv1.NewBeaconServiceClient(c.conn).GetAgentConfig(c.t.Context(), &apiv1.GetAgentConfigRequest{Beacon: c.beacons[0]})
	if err != nil {
		c.t.Fatal(err)
	}
	file, err := setup.Decode("agent.yaml", []byte(answer.GetYaml()))
	if err != nil {
		c.t.Fatal(err)
	}
	key, err := seal.ParsePublicKey(file.CoordinatorKey.Public)
	if err != nil {
		c.t.Fatal(err)
	}
	return seal.NewKeyring(key)
}

// databaseURL is how to reach the private database.
func (c *coordinator) databaseURL() string {
	return "postgres://lamplighter@/lamplighter?" + url.Values{"host": {filepath.Join(c.dir, "c", "database", "socket")}, "port": {"5432"}}.Encode()
}

// ask asks it for one number.
func (c *coordinator) ask(query string) (number int64) {
	c.t.Helper()
	conn, err := pgx.Connect(c.t.Context(), c.databaseURL())
	if err != nil {
		c.t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if err := conn.QueryRow(c.t.Context(), query).Scan(&number); err != nil {
		c.t.Fatal(err)
	}
	return number
}

// usage is what a program has used, and what it holds.
type usage struct {
	at          time.Time
	processor   time.Duration // of the program
	database    time.Duration // of its Postgres, all processes
	own         time.Duration // of this process: the crowd
	resident    int64         // bytes
	descriptors int
}

func (c *coordinator) usage() usage {
	c.t.Helper()
	pid := c.running.Process.Pid
	u := usage{at: time.Now(), processor: processor(c.t, pid), own: processor(c.t, os.Getpid())}
	for _, child := range children(c.t, pid) {
		u.database += processor(c.t, child)
		for _, backend := range children(c.t, child) {
			u.database += processor(c.t, backend)
		}
	}
	status := read(c.t, pid, "status")
	if _, after, found := strings.Cut(status, "VmRSS:"); found {
		kib, err := strconv.ParseInt(strings.Fields(after)[0], 10, 64)
		if err != nil {
			c.t.Fatal(err)
		}
		u.resident = kib << 10
	}
	entries, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		c.t.Fatal(err)
	}
	u.descriptors = len(entries)
	return u
}

func read(t *testing.T, pid int, file string) string {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/%s", pid, file))
	if err != nil {
		return "" // it has ended meanwhile
	}
	return string(text)
}

// processor is the processor time of a process with those of its children that
// have ended: utime, stime, cutime and cstime in proc(5), in ticks of 10 ms.
func processor(t *testing.T, pid int) (used time.Duration) {
	t.Helper()
	_, after, found := strings.Cut(read(t, pid, "stat"), ") ")
	if !found {
		return 0
	}
	for _, field := range strings.Fields(after)[11:15] {
		ticks, err := strconv.ParseInt(field, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		used += time.Duration(ticks) * 10 * time.Millisecond
	}
	return used
}

// children are the processes that a process has started, from any thread.
func children(t *testing.T, pid int) (list []int) {
	t.Helper()
	threads, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	if err != nil {
		return nil
	}
	for _, thread := range threads {
		for _, field := range strings.Fields(read(t, pid, "task/"+thread.Name()+"/children")) {
			child, err := strconv.Atoi(field)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, child)
		}
	}
	return list
}

// roomForDescriptors is how many files this process may have open.
func roomForDescriptors(t *testing.T) int {
	t.Helper()
	var limit syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &limit); err != nil {
		t.Fatal(err)
	}
	if limit.Cur < limit.Max {
		limit.Cur = limit.Max
		if err := syscall.Setrlimit(syscall.RLIMIT_NOFILE, &limit); err != nil {
			t.Fatal(err)
		}
	}
	return int(limit.Cur)
}

// load is the machine's load, for whoever reads a figure.
func load(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := bytes.Cut(text, []byte(" "))
	return string(first)
}
