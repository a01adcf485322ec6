package lease

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/slot"
)

// The simulation plays a coordinator and its agents over a link that loses,
// delays and reorders messages and is cut for hours, on virtual time. An oracle
// that knows nothing of Book looks, at the start of each slot, at what the
// agents would really send.

// device is an agent with its keyer: it never goes back, and obeys its orders
// while its lease, counted from when it asked, reaches past the slot.
type device struct {
	held  Number
	uses  map[slot.Number]Use
	until time.Time
	cut   time.Time // no message comes or goes before
}

func (d *device) sends(n slot.Number) (Use, bool) {
	use, ok := d.uses[n]
	return use, ok && !d.until.Before(slot.Standard.End(n))
}

type letter struct {
	to   string
	at   time.Time
	open func(w *world)
	toUs bool
}

type world struct {
	choose                    func(n int) int // 0 … n-1
	fleet                     *fleet.Fleet
	book                      *Book
	now                       time.Time
	devices                   map[string]*device
	letters                   []letter
	wanted                    map[string][]Use
	epoch                     uint64
	release                   func(b *Book, wanted map[string][]Use, now time.Time) map[string][]Use
	decide                    func(b *Book, r Request, k Known) Decision
	sent, withheld, shortened int
}

func newWorld(f *fleet.Fleet, choose func(n int) int) *world {
	w := &world{
		choose: choose, fleet: f, book: NewBook(f), now: noon, epoch: 7, devices: map[string]*device{},
		wanted: map[string][]Use{},
	}
	w.release = func(b *Book, wanted map[string][]Use, now time.Time) map[string][]Use {
		may, withheld := b.Release(wanted, now)
		w.withheld += len(withheld)
		return may
	}
	w.decide = (*Book).Decide
	for _, b := range f.Beacons {
		w.devices[b.Name] = &device{uses: map[slot.Number]Use{}}
	}
	return w
}

func (w *world) post(beacon string, toUs bool, open func(w *world)) {
	if w.choose(4) == 0 {
		return // lost
	}
	delay := time.Duration(w.choose(3)) * time.Second
	if w.choose(5) == 0 {
		delay = time.Duration(w.choose(1800)) * time.Second
	}
	w.letters = append(w.letters, letter{beacon, w.now.Add(delay), open, toUs})
}

// deliver opens what has arrived, in an order that may differ from that in
// which it was sent.
func (w *world) deliver() {
	for i := 0; i < len(w.letters); {
		l := w.letters[i]
		d := w.devices[l.to]
		if l.at.After(w.now) {
			i++
			continue
		}
		w.letters = slices.Delete(w.letters, i, i+1)
		if w.now.Before(d.cut) {
			continue
		}
		l.open(w)
	}
}

const horizon = 60 // slots

// replan wants new transmissions: a random plan that harms nobody, which the
// oracle agrees with.
func (w *world) replan() {
	first := slot.Standard.At(w.now) + 1
	w.wanted = map[string][]Use{}
	bands := []string{"40m", "30m", "20m", "17m"}
	for n := first; n < first+horizon; n++ {
		sending := map[string]Use{}
		for _, b := range w.fleet.Beacons {
			if w.choose(3) != 0 {
				continue
			}
			if u := use(n, bands[w.choose(len(bands))], 100+20*float64(w.choose(5))); harm(w.fleet, with(sending, b.Name, u)) == "" {
				sending[b.Name] = u
			}
		}
		for name, u := range sending {
			w.wanted[name] = append(w.wanted[name], u)
		}
	}
	for _, uses := range w.wanted {
		slices.SortFunc(uses, func(x, y Use) int { return int(x.Slot - y.Slot) })
	}
	w.issue()
}

func with(sending map[string]Use, name string, u Use) map[string]Use {
	all := map[string]Use{name: u}
	for other, use := range sending {
		all[other] = use
	}
	return all
}

// issue publishes what may be published. Every beacon gets new orders.
func (w *world) issue() {
	may := w.release(w.book, w.wanted, w.now)
	from := slot.Standard.At(w.now)
	for _, b := range w.fleet.Beacons {
		number := Number{w.epoch, w.book.Latest(b.Name).Revision + 1}
		if w.book.Latest(b.Name).Epoch != w.epoch {
			number.Revision = 1
		}
		uses := slices.DeleteFunc(slices.Clone(may[b.Name]), func(u Use) bool { return u.Slot < from })
		w.book.Publish(b.Name, number, from, uses)
		for range 1 + w.choose(2) { // retained: it may come more than once
			w.post(b.Name, false, func(w *world) { w.devices[b.Name].accept(number, uses) })
		}
	}
}

func (d *device) accept(number Number, uses []Use) {
	if number.Compare(d.held) <= 0 {
		return
	}
	d.held, d.uses = number, map[slot.Number]Use{}
	for _, u := range uses {
		d.uses[u.Slot] = u
	}
}

// ask sends a request for a lease; the lease counts from here.
func (w *world) ask(beacon string) {
	asked, held := w.now, w.devices[beacon].held
	w.post(beacon, true, func(w *world) {
		w.book.Hold(beacon, held)
		d := w.decide(w.book, Request{Beacon: beacon, Run: beacon, BootID: beacon, Held: held, Reader: Format},
			Known{Holder: Holder{Run: beacon, BootID: beacon, Heard: w.now}, HeldKnown: true, Now: w.now})
		if d.Refusal != "" || d.Sentence != "" {
			w.shortened++
		}
		if d.Refusal != "" {
			return
		}
		w.book.Extend(beacon, d.Until)
		w.post(beacon, false, func(w *world) {
			device := w.devices[beacon]
			if until := asked.Add(d.Until.Sub(w.granted(d))); until.After(device.until) {
				device.until = until
			}
		})
	})
}

// granted is when a decision was made.
func (w *world) granted(d Decision) time.Time {
	var most time.Duration
	for _, term := range d.Terms {
		most = max(most, term.Length)
	}
	return d.Until.Add(-most)
}

// step lets something happen, then time pass, and looks at each slot that
// begins meanwhile.
func (w *world) step() error {
	names := make([]string, 0, len(w.fleet.Beacons))
	for _, b := range w.fleet.Beacons {
		names = append(names, b.Name)
	}
	switch w.choose(12) {
	case 0:
		w.replan()
	case 1, 2:
		w.issue()
	case 3:
		w.devices[names[w.choose(len(names))]].cut = w.now.Add(time.Duration(w.choose(4*3600)) * time.Second)
	case 4:
		w.epoch++ // another leader, with the same book
	default:
		for range 3 {
			w.ask(names[w.choose(len(names))])
		}
	}
	pass := time.Duration(1+w.choose(90)) * time.Second
	if w.choose(20) == 0 {
		pass = time.Duration(w.choose(3600)) * time.Second
	}
	for end := w.now.Add(pass); w.now.Before(end); {
		before := slot.Standard.At(w.now)
		w.now = w.now.Add(time.Second)
		w.deliver()
		if n := slot.Standard.At(w.now); n != before {
			if err := w.look(n); err != nil {
				return err
			}
		}
	}
	w.book.Forget(w.now)
	return nil
}

// look is the oracle.
func (w *world) look(n slot.Number) error {
	sending := map[string]Use{}
	for name, d := range w.devices {
		if use, ok := d.sends(n); ok {
			sending[name] = use
			w.sent++
		}
	}
	if what := harm(w.fleet, sending); what != "" {
		return fmt.Errorf("slot %d at %v: %s: %v", n-n0, w.now, what, sending)
	}
	return nil
}

// harm says what is wrong with transmissions in one slot, written from the
// planning rules and not from the code under test.
func harm(f *fleet.Fleet, sending map[string]Use) string {
	atSite, onBand := map[string]int{}, map[string]int{}
	for a, x := range sending {
		one := f.Beacon(a)
		atSite[one.Site.Name]++
		onBand[x.Band]++
		if atSite[one.Site.Name] > one.Site.TransmittersAtOnce || onBand[x.Band] > f.Network.MaxSignalsPerBand {
			return "too many"
		}
		for b, y := range sending {
			two := f.Beacon(b)
			if a >= b {
				continue
			}
			sameSite := one.Site == two.Site
			near := sameSite || one.Site.Name != "harbour" && two.Site.Name != "harbour"
			gap := x.FrequencyMillihertz - y.FrequencyMillihertz
			switch {
			case sameSite && len(one.Shared) > 0 && len(two.Shared) > 0:
				return "one mast"
			case x.Band == y.Band && near:
				return "one band, one place"
			case x.Band == y.Band && max(gap, -gap) < 6000+2000+x.UncertaintyMillihertz+y.UncertaintyMillihertz:
				return "too close"
			case one.Site.Name == "hilltop" && sameSite && (x.Band == "30m" && y.Band == "17m" || x.Band == "17m" && y.Band == "30m"):
				return "never together"
			}
		}
	}
	return ""
}

const steps = 60

// S8: at no time may two transmissions that harm each other both be obeyed.
func TestNoTwoBeaconsObeyWhatHarmsEachOther(t *testing.T) {
	f := readFleet(t, fleetText)
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(f, func(n int) int { return rapid.IntRange(0, n-1).Draw(t, "choice") })
		w.replan()
		for range steps {
			if err := w.step(); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// run plays one seed to its end.
func run(f *fleet.Fleet, seed uint64, change func(*world)) (*world, error) {
	random := rand.New(rand.NewPCG(seed, 1))
	w := newWorld(f, random.IntN)
	change(w)
	w.replan()
	for range 4 * steps {
		if err := w.step(); err != nil {
			return w, err
		}
	}
	return w, nil
}

func TestManySeedsHarmNobodyAndMeetEveryCase(t *testing.T) {
	f := readFleet(t, fleetText)
	var sent, withheld, shortened int
	for seed := range uint64(60) {
		w, err := run(f, seed, func(*world) {})
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		sent, withheld, shortened = sent+w.sent, withheld+w.withheld, shortened+w.shortened
	}
	t.Logf("%d transmissions, %d withheld, %d leases shortened or refused", sent, withheld, shortened)
	if sent < 1000 || withheld < 100 || shortened < 10 {
		t.Error("the simulation does not reach what it is there for")
	}
}

// A simulation that finds nothing wrong must be able to: with either door left
// open it does.
func TestTheOracleFindsADoorLeftOpen(t *testing.T) {
	f := readFleet(t, fleetText)
	for name, open := range map[string]func(*world){
		"everything is published at once": func(w *world) {
			w.release = func(_ *Book, wanted map[string][]Use, _ time.Time) map[string][]Use { return wanted }
		},
		"leases look at nobody": func(w *world) {
			w.decide = func(b *Book, r Request, k Known) Decision {
				alone := NewBook(b.fleet)
				return alone.Decide(r, k)
			}
		},
		"leases are not noted": func(w *world) {
			w.decide = func(b *Book, r Request, k Known) Decision {
				d := b.Decide(r, k)
				d.Until = d.Until.Add(-time.Hour)
				return d
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(1000) {
				if _, err := run(f, seed, open); err != nil {
					t.Logf("seed %d: %v", seed, err)
					return
				}
			}
			t.Error("1000 seeds found nothing")
		})
	}
}
