package endtoend

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"golang.org/x/sys/unix"

	"lamplighter/coordinator/broker/brokertest"
	"lamplighter/coordinator/database"
	"lamplighter/proto/setup"
)

// wide is a network with several coordinators, and with broker and database
// outside of them. Every connection goes over a cable.
type wide struct {
	*network
	server       *database.Server
	disk         *disk
	coordinators []*replica
	cables       map[string]*cable // between agents and broker
}

// replica is one of the coordinators.
type replica struct {
	of               *wide
	name, dir        string
	grpc, http       string
	database, broker *cable
	program          string
	access           []string // flags that open it to this computer; older programs had none
	needsLead        bool     //nolint:unused // to give a hush, as an older program does (tag long)
	starts           int
	running          *process
}

// newWide starts database, broker and two coordinators, and puts the fleet in
// force through the second. Agents are to be started.
func newWide(t *testing.T, fleet string) *wide {
	t.Helper()
	w := layWide(t)
	for _, name := range []string{"first", "second"} {
		w.add(name).start()
	}
	must(t, lamplighter, "fleet", "apply", "--server", w.coordinators[1].grpc, write(t, w.folder, "fleet.yaml", fleet))
	return w
}

// layWide starts database and broker.
func layWide(t *testing.T) *wide {
	t.Helper()
	w := &wide{cables: map[string]*cable{}, network: &network{
		t: t, folder: t.TempDir(), agents: map[string]*process{}, operator: lamplighter, beaconAgent: lamplighterAgent,
	}}
	w.disk = newDisk(t, 512<<20)
	server, err := database.Start(t.Context(), database.Options{Dir: w.disk.folder, TCP: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = server.Stop() }) // which the disk is asked after
	w.server, w.database = server, server.TCPURL()
	if w.rows, err = pgxpool.New(t.Context(), w.database); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.rows.Close)
	w.mosquitto = brokertest.StartMosquitto(t)
	w.mqtt = w.mosquitto.Addr()
	return w
}

// add makes another coordinator, with the key that all of them share.
func (w *wide) add(name string) *replica {
	w.t.Helper()
	address, err := url.Parse(w.database)
	if err != nil {
		w.t.Fatal(err)
	}
	r := &replica{
		of: w, name: name, dir: filepath.Join(w.folder, name), grpc: freeAddress(w.t), http: freeAddress(w.t), program: w.operator,
		database: newCable(w.t, address.Host), broker: newCable(w.t, w.mqtt), access: []string{"--open-on-loopback"},
	}
	if err := os.MkdirAll(r.dir, 0o700); err != nil {
		w.t.Fatal(err)
	}
	w.coordinators = append(w.coordinators, r)
	r.takeKeys()
	w.grpc, w.http = w.coordinators[0].grpc, w.coordinators[0].http
	return r
}

// takeKeys copies what all coordinators share and this one lacks, as whoever sets
// it up does.
func (r *replica) takeKeys() {
	r.of.t.Helper()
	for _, name := range []string{"vault.key", "signing.key"} { // the second is of a former program
		if _, err := os.Stat(filepath.Join(r.dir, name)); err == nil {
			continue
		}
		for _, other := range r.of.coordinators {
			if text, err := os.ReadFile(filepath.Join(other.dir, name)); err == nil {
				write(r.of.t, r.dir, name, string(text))
			}
		}
	}
}

// launch starts the program, which may end by itself while the database is away.
func (r *replica) launch() {
	r.of.t.Helper()
	address, err := url.Parse(r.of.database)
	if err != nil {
		r.of.t.Fatal(err)
	}
	address.Host = r.database.at()
	r.starts++
	args := append([]string{"serve"}, r.access...)
	r.running = start(r.of.t, fmt.Sprintf("%s coordinator (start %d)", r.name, r.starts), r.program, append(args,
		"--dir", r.dir, "--database", address.String(), "--grpc", r.grpc, "--http", r.http, "--broker", "tcp://"+r.broker.at())...)
}

// start starts it and waits until it is up.
func (r *replica) start() {
	r.of.t.Helper()
	r.launch()
	r.running.waitFor(`the coordinator is up`)
}

// ask asks the database for one number; false: it does not answer.
func (w *wide) ask(query string, args ...any) (number int64, answered bool) {
	ctx, cancel := context.WithTimeout(w.t.Context(), 5*time.Second)
	defer cancel()
	err := w.rows.QueryRow(ctx, query, args...).Scan(&number)
	return number, err == nil
}

// epoch is that of whoever leads, or led last.
func (w *wide) epoch() (epoch int64) {
	w.t.Helper()
	eventually(w.t, "the database answers", func() (answered bool) {
		epoch, answered = w.ask("select coalesce(max(epoch), 0) from leadership")
		return answered
	})
	return epoch
}

// leader is who leads, and who does not. It waits until somebody does.
func (w *wide) leader() (leader, other *replica) {
	w.t.Helper()
	eventually(w.t, "a coordinator leads", func() bool {
		says := regexp.MustCompile(fmt.Sprintf(`this coordinator leads.*epoch=%d\b`, w.epoch()))
		for i, r := range w.coordinators {
			if says.MatchString(r.running.said.String()) && !r.running.over() {
				leader, other = r, w.coordinators[1-i]
				return true
			}
		}
		return false
	})
	return leader, other
}

// anotherLeads waits until somebody took the lead after an epoch.
func (w *wide) anotherLeads(after int64) {
	w.t.Helper()
	eventually(w.t, "somebody takes the lead", func() bool { return w.epoch() > after })
}

// flows waits until records come in that did not exist before.
func (w *wide) flows(why string) {
	w.t.Helper()
	const query = "select count(*) from records"
	var before int64
	eventually(w.t, "the database answers "+why, func() (answered bool) { before, answered = w.ask(query); return answered })
	eventually(w.t, "records are stored "+why, func() bool { now, answered := w.ask(query); return answered && now > before })
}

// join configures a beacon's agent, lays its cable, and starts it.
func (w *wide) join(beacon string) {
	w.t.Helper()
	w.configure(beacon)
	text, err := os.ReadFile(w.config(beacon))
	if err != nil {
		w.t.Fatal(err)
	}
	file, err := setup.Decode(beacon, text)
	if err != nil {
		w.t.Fatal(err)
	}
	w.cables[beacon] = newCable(w.t, w.mqtt)
	file.Broker = "tcp://" + w.cables[beacon].at()
	if text, err = file.Encode(); err != nil {
		w.t.Fatal(err)
	}
	write(w.t, w.folder, beacon+".yaml", string(text))
	w.startAgent(beacon)
}

// over says whether a program has ended.
func (p *process) over() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

// disk is a folder for a database. Where the machine lets us mount one, it is a
// disk of its own, in memory, that can be filled.
type disk struct {
	t       *testing.T
	folder  string
	mounted bool
}

func newDisk(t *testing.T, size int) *disk {
	t.Helper()
	// Postgres's own user has to enter the folder, and t.TempDir lies too deep for
	// the path of a socket.
	folder, err := os.MkdirTemp("", "disk")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	if err := os.Chmod(folder, 0o755); err != nil { //nolint:gosec // see above
		t.Fatal(err)
	}
	d := &disk{t: t, folder: folder}
	err = unix.Mount("lamplighter-test", folder, "tmpfs", 0, fmt.Sprintf("size=%d,mode=0755", size))
	if d.mounted = err == nil; d.mounted {
		t.Cleanup(func() { _ = unix.Unmount(folder, unix.MNT_DETACH) })
	}
	return d
}

// fill leaves no room on the disk, and says whether it could.
func (d *disk) fill() bool {
	if !d.mounted {
		return false
	}
	ballast, err := os.Create(filepath.Join(d.folder, "ballast"))
	if err != nil {
		return errors.Is(err, unix.ENOSPC)
	}
	defer ballast.Close() //nolint:errcheck // its bytes do not count
	for size := int64(1 << 20); size >= 4096; {
		info, err := ballast.Stat()
		if err != nil {
			return false
		}
		if unix.Fallocate(int(ballast.Fd()), 0, info.Size(), size) != nil {
			size /= 2
		}
	}
	return true
}

// empty makes room again.
func (d *disk) empty() {
	if err := os.Remove(filepath.Join(d.folder, "ballast")); err != nil && !errors.Is(err, os.ErrNotExist) {
		d.t.Error(err)
	}
}
