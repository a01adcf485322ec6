//go:build long

package endtoend

import (
	"context"
	"flag"
	"math/rand/v2"
	"net/http"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"lamplighter/proto/peertest"
)

var (
	killsWanted = flag.Int("kills", 200, "how many programs are killed")
	killsSeed   = flag.Uint64("chaos-seed", uint64(time.Now().UnixNano()), "which moments, and which programs")
)

// chaos is a network to which things happen, several at a time.
type chaos struct {
	*wide
	chance *rand.Rand
	wrong  []trouble      // now
	done   map[string]int // how often what was done
	kills  int
}

// trouble is something that is wrong for a while.
type trouble struct {
	what  string // on what; one at a time of each
	until time.Time
	mend  func()
}

// Coordinators, broker, database, agents and keyers are killed at any moment,
// while programs hang, connections break in every way, sessions are ended and
// disks are full. At the end no record is missing, none is there twice, and
// nothing was on the air that was not planned.
func TestKillsAtAnyMomentLoseNothingDoubleNothingAndKeyNothing(t *testing.T) {
	w := newWide(t, fleetText(slotSeconds))
	w.watchLeases()
	for _, beacon := range beacons {
		w.join(beacon)
	}
	eventually(t, "the first transmission in the tables", func() bool {
		return w.count("select count(*) from outcomes where kind = 'sent'") > 0
	})
	t.Logf("-chaos-seed %d", *killsSeed)
	c := &chaos{wide: w, chance: rand.New(rand.NewPCG(*killsSeed, 1)), done: map[string]int{}}
	for c.kills < *killsWanted && !t.Failed() {
		pause(t, c.some(0, 4*time.Second))
		c.mend(time.Now())
		c.revive()
		c.strike()
	}
	c.mend(time.Now().Add(time.Hour))
	c.revive()
	w.settle()
	w.prove()
	c.report()
}

// some is a length of time at random.
func (c *chaos) some(least, most time.Duration) time.Duration {
	return least + time.Duration(c.chance.Int64N(int64(most-least)))
}

// while is how long something is wrong: seconds, and now and then a minute.
func (c *chaos) while() time.Duration {
	if c.chance.IntN(10) == 0 {
		return c.some(20*time.Second, time.Minute)
	}
	return c.some(0, 8*time.Second)
}

// mend ends what is over at a time.
func (c *chaos) mend(now time.Time) {
	c.wrong = slices.DeleteFunc(c.wrong, func(t trouble) bool {
		over := !t.until.After(now)
		if over {
			t.mend()
		}
		return over
	})
}

// revive starts what ended by itself, as a service manager does: a coordinator
// does not start without its database.
func (c *chaos) revive() {
	for _, r := range c.coordinators {
		if r.running.over() && !c.amiss("kill "+r.name) {
			r.launch()
		}
	}
	for _, beacon := range beacons {
		if c.agents[beacon].over() && !c.amiss("kill "+beacon) {
			c.startAgent(beacon)
		}
	}
}

func (c *chaos) amiss(what string) bool {
	return slices.ContainsFunc(c.wrong, func(t trouble) bool { return t.what == what })
}

// begin does something unless it is done already, for a while.
func (c *chaos) begin(what string, length time.Duration, do, mend func()) {
	if c.amiss(what) {
		return
	}
	do()
	c.done[strings.Fields(what)[0]]++
	c.wrong = append(c.wrong, trouble{what, time.Now().Add(length), mend})
}

// strike does the next thing.
func (c *chaos) strike() {
	if c.chance.IntN(2) == 0 || len(c.wrong) > 4 {
		c.kill()
		return
	}
	r, beacon := c.coordinators[c.chance.IntN(2)], beacons[c.chance.IntN(len(beacons))]
	cables := map[string]*cable{r.name + "'s database": r.database, r.name + "'s broker": r.broker, beacon + "'s broker": c.cables[beacon]}
	names := []string{r.name + "'s database", r.name + "'s broker", beacon + "'s broker"}
	name := names[c.chance.IntN(len(names))]
	pulled := cables[name]
	restore := func() { pulled.set(whole) }
	switch c.chance.IntN(10) {
	case 0:
		c.stop(r.name, r.running)
	case 1:
		c.stop(beacon, c.agents[beacon])
	case 2:
		c.begin("stop broker", c.while(), func() { c.mosquitto.Signal(syscall.SIGSTOP) }, func() { c.mosquitto.Signal(syscall.SIGCONT) })
	case 3, 4:
		c.begin("silence "+name, c.while(), func() { pulled.set(silent) }, restore)
	case 5:
		c.begin("halfopen "+name, 0, pulled.leaveHalfOpen, func() {})
	case 6:
		c.begin("slow "+name, c.while(), func() { pulled.set(slow) }, restore)
	case 7:
		c.begin("part "+name, c.while(), func() { pulled.set(parted) }, restore)
	case 8:
		c.begin("sessions", 0, func() {
			c.ask("select count(pg_terminate_backend(pid)) from pg_stat_activity where application_name = 'lamplighter' and pid <> pg_backend_pid()")
		}, func() {})
	case 9:
		if c.chance.IntN(2) == 0 {
			c.begin("disk database", c.some(0, 5*time.Second), func() { c.disk.fill() }, c.disk.empty)
			return
		}
		agent := c.agents[beacon]
		c.begin("disk "+beacon, c.some(0, 5*time.Second), func() { _ = limitFiles(agent, 0) }, func() { _ = limitFiles(agent, ^uint64(0)) })
	}
}

func (c *chaos) stop(name string, p *process) {
	c.begin("stop "+name, c.while(), func() { _ = p.cmd.Process.Signal(syscall.SIGSTOP) }, func() { _ = p.cmd.Process.Signal(syscall.SIGCONT) })
}

// kill kills one program, which is started again a little later.
func (c *chaos) kill() {
	r, beacon := c.coordinators[c.chance.IntN(2)], beacons[c.chance.IntN(len(beacons))]
	away := c.some(0, 3*time.Second)
	before := len(c.wrong)
	switch c.chance.IntN(8) {
	case 0, 1, 2:
		c.begin("kill "+r.name, away, r.running.kill, r.launch)
	case 3:
		c.begin("kill broker", away, c.mosquitto.Kill, c.mosquitto.Start)
	case 4:
		c.begin("kill database", away, func() { _ = syscall.Kill(c.server.Process(), syscall.SIGKILL) }, func() {})
	case 5, 6:
		c.begin("kill "+beacon, away, c.agents[beacon].kill, func() { c.startAgent(beacon) })
	case 7:
		c.begin("kill keyer of "+beacon, 0, func() { c.killKeyer(c.agents[beacon]) }, func() {})
	}
	c.kills += len(c.wrong) - before
}

// killKeyer kills what an agent runs beside itself, one of the two or both: its
// keyer, and what silences the transmitter when that is gone. It starts them
// again.
func (c *chaos) killKeyer(agent *process) {
	out, err := exec.CommandContext(c.t.Context(), peertest.Find(c.t, "pgrep"), "-P", strconv.Itoa(agent.cmd.Process.Pid)).Output()
	if err != nil {
		return // it has none just now
	}
	for _, line := range strings.Fields(string(out)) {
		if id, err := strconv.Atoi(line); err == nil && c.chance.IntN(3) > 0 {
			_ = syscall.Kill(id, syscall.SIGKILL)
		}
	}
}

// settle waits until all is well again.
func (w *wide) settle() {
	w.t.Helper()
	for _, r := range w.coordinators {
		eventually(w.t, "the "+r.name+" coordinator is ready", func() bool {
			if r.running.over() {
				r.launch()
			}
			return r.ready()
		})
	}
	for _, beacon := range beacons {
		eventually(w.t, beacon+" may transmit", func() bool { s := w.status()[beacon].State; return s == "ready" || s == "on_air" })
	}
}

// ready says whether it is of use.
func (r *replica) ready() bool {
	ctx, cancel := context.WithTimeout(r.of.t.Context(), 5*time.Second)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+r.http+"/readyz", nil)
	if err != nil {
		r.of.t.Fatal(err)
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return false
	}
	_ = answer.Body.Close()
	return answer.StatusCode == http.StatusOK
}

// report says what was done, so that a run says what it proves.
func (c *chaos) report() {
	c.t.Helper()
	cut := 0
	for _, beacon := range beacons {
		for _, e := range c.emissions(beacon) {
			if e.unkeyed.IsZero() || len(e.tones) < 162 {
				cut++
			}
		}
	}
	c.t.Logf("%d kills; done: %v; %d key-downs, %d of them cut short; %d records of %d runs", c.kills, c.done, c.keyDowns(), cut,
		c.count("select count(*) from records"), c.count("select count(*) from boots"))
	if cut == 0 && c.kills >= 50 {
		c.t.Error("no kill fell into a transmission")
	}
}
