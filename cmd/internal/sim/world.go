package sim

import (
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"lamplighter/agent/clock/judge"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/orders"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// Options say what is simulated.
type Options struct {
	Seed   uint64
	Fleets []*fleet.Fleet // the first is in force at the start, and has every beacon; the others come and go
	Began  time.Time      // true time of the start
	Long   time.Duration  // how long it runs
	Calm   time.Duration  // the last part of that, without any fault
	Ahead  time.Duration  // how far orders reach
	Storm  bool           // faults of every kind come as they do
	Plan   []Planned      // faults that come when they are told to
	Judged int            // how many beacons have the real judge of time
	// Progress is told how much is done, and may stop it; nil: nobody is.
	Progress func(done, total time.Duration) (stop bool)
}

// ErrStopped says that Progress asked to stop.
var ErrStopped = errors.New("the simulation was stopped before it was done")

// Result is what came of it.
type Result struct {
	Violations []Violation
	Reached    map[string]int
	Trace      uint64 // two runs that have it in common were the same
	Beacons    []Beacon
	Orders     int
}

// Beacon is what one beacon did.
type Beacon struct {
	Name           string
	Planned        int            // slots that stood in its latest orders when they began
	Sent, Aborted  int            // by its own records, as far as they have arrived
	Skipped        map[string]int // the same, by reason
	OnAir          int            // key-downs that there really were
	LongestSilence time.Duration
}

// world is everything that there is.
type world struct {
	engine
	options Options
	chance  *rand.Rand
	began   time.Time

	network   string
	signer    *seal.Signer
	keys      seal.Keyring
	envelopes map[string][]byte
	fleets    []version
	version   int // in force
	fleet     *fleet.Fleet

	devices      []*device
	coordinators coordinators
	database     database
	broker       broker
	oracle       *oracle
	reached      map[string]int
	mix          mix
	slow         time.Duration // what the network adds to every message
	badPlans     bool          // the planner has gone wrong
	troubled     time.Duration // when coordinators, database or broker were last in trouble
	calm         bool
}

type version struct{ fleet *fleet.Fleet }

// mix says how many messages of which one comes late or twice; 0: none.
type mix struct{ reorder, duplicate int }

func (w *world) time() time.Time { return w.began.Add(w.now) }

func (w *world) reach(what string) { w.reached[what]++ }

// latency is how long one message takes.
func (w *world) latency() time.Duration {
	return time.Duration(10+w.chance.IntN(150))*time.Millisecond + w.slow
}

func (w *world) seal(purpose seal.Purpose, beacon string, payload []byte) []byte {
	message := w.keys.Seal(w.signer, purpose, w.network, beacon, payload)
	w.oracle.sealed(purpose, payload, message)
	return message
}

// Run simulates. The same options give the same result.
func Run(o Options) (Result, error) {
	w, err := newWorld(o)
	if err != nil {
		return Result{}, err
	}
	w.begin()
	if o.Storm {
		w.storm()
	}
	for _, p := range o.Plan {
		w.schedule(p)
	}
	if err := w.runTo(o.Long - o.Calm); err != nil {
		return Result{}, err
	}
	if o.Calm > 0 {
		w.settle()
		w.run(o.Long)
		w.oracle.judgeEnd()
	}
	return w.result(), nil
}

// runTo runs hour by hour, and says how far it is.
func (w *world) runTo(end time.Duration) error {
	for w.now < end {
		w.run(min(end, w.now+time.Hour))
		if p := w.options.Progress; p != nil && p(w.now, w.options.Long) {
			return ErrStopped
		}
	}
	return nil
}

func newWorld(o Options) (*world, error) {
	f := o.Fleets[0]
	if f.Network.Slot != slot.Standard {
		return nil, fmt.Errorf("the fleet has slots of %d s, and only the standard ones of %d s can be simulated", f.Network.Slot, slot.Standard)
	}
	if o.Ahead == 0 {
		o.Ahead = orders.Ahead
	}
	w := &world{
		options: o, chance: rand.New(rand.NewPCG(o.Seed, 1)), began: o.Began, network: f.Network.ID,
		fleet: f, envelopes: map[string][]byte{}, database: newDatabase(), reached: map[string]int{},
	}
	w.trace = traceStart
	w.oracle = newOracle(w)
	w.broker = broker{world: w, up: true, kept: map[string]map[topic.Kind][]byte{}}
	for _, f := range o.Fleets {
		w.fleets = append(w.fleets, version{f})
	}
	var secret [32]byte
	binary.BigEndian.PutUint64(secret[:], o.Seed)
	var err error
	if w.signer, err = seal.ParseSigner(base64.StdEncoding.EncodeToString(secret[:])); err != nil {
		return nil, err
	}
	w.keys = seal.NewKeyring(w.signer.Public()).Remembering()
	for i, b := range f.Beacons {
		if w.envelopes[b.Name], err = orders.BuildEnvelope(w.signer, f, b.Name, 1, o.Began.Add(-time.Hour)); err != nil {
			return nil, err
		}
		w.devices = append(w.devices, w.newDevice(b.Name, b.Name, uint64(i)))
	}
	return w, nil
}

func (w *world) newDevice(name, label string, stream uint64) *device {
	d := &device{
		world: w, name: name, label: label, clone: name != label,
		chance: rand.New(rand.NewPCG(w.options.Seed, 1000+stream)), rogue: map[int64]bool{}, archive: map[string][]*keyerv1.ToKeyer{},
	}
	d.transmitter.device, d.link.device = d, d
	s := &d.source
	s.fix, s.wrong, s.runaway, s.warmth = true, d.chance.Float64()*1.8-0.9, d.chance.Float64()*1.8-0.9, d.chance.Float64()
	if int(stream) < w.options.Judged {
		s.judge = judge.New(judge.Config{Build: buildDate})
	}
	return d
}

// begin starts everything.
func (w *world) begin() {
	for _, name := range []string{"one", "other"} {
		c := &coordinator{world: w, name: name}
		w.coordinators = append(w.coordinators, c)
		c.start()
	}
	for _, d := range w.devices {
		w.after(time.Duration(w.chance.IntN(20_000))*time.Millisecond, d.powerOn)
		w.every(d)
	}
}

// every is what happens at a device now and then, whatever else does.
func (w *world) every(d *device) {
	if d.source.judge != nil {
		var hear func()
		hear = func() {
			d.judged()
			w.after(judgedEvery, hear)
		}
		w.at(w.now.Truncate(time.Second)+time.Second+sentenceAfter, hear)
	}
	var care func()
	care = func() { // the warden's round
		d.attend()
		if d.tripped != "" && w.chance.IntN(3) == 0 {
			d.rearm()
		}
		w.after(time.Duration(10+w.chance.IntN(20))*time.Minute, care)
	}
	w.after(time.Duration(1+w.chance.IntN(10))*time.Minute, care)
}

// settle is the end of all faults: what is broken is repaired, and people clear
// what only people can.
func (w *world) settle() {
	w.calm = true
	w.mix, w.slow, w.badPlans = mix{}, 0, false
	w.database.away = false
	w.broker.up = true
	for _, c := range w.coordinators {
		c.paused, c.fails = min(c.paused, w.now), false
		c.start()
	}
	w.coordinators.republish()
	for i, h := range w.database.hushes {
		if !h.released {
			w.release(i)
		}
	}
	for _, d := range w.devices {
		d.heal()
	}
}

// heal puts everything right at a device. A second device is switched off.
func (d *device) heal() {
	if d.clone {
		d.powerOff()
		return
	}
	d.diskFull, d.diskSlow, d.stateFails, d.lie = false, 0, false, 0
	d.transmitter.jammed, d.transmitter.deaf, d.transmitter.mismatch = false, false, false
	d.source.fix, d.source.label, d.source.early, d.source.unsynced, d.source.coarse = true, 0, 0, false, false
	d.link.cut, d.link.slow, d.link.late = 0, 0, 0
	d.wakeUp()
	d.resume()
	d.continueKeyer()
	if !d.powered {
		d.powerOn()
	}
	d.startAgent()
	d.startKeyer()
	d.rearm()
	var again func()
	again = func() {
		if d.tripped != "" {
			d.rearm()
			d.world.after(10*time.Second, again)
		}
	}
	d.world.after(10*time.Second, again)
}
