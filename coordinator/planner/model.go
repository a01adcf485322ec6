package planner

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/proto/onair/slot"
)

// micro is the unit of frequency inside the planner: a millionth of a hertz.
const micro = 1_000_000

// model is the fleet in numbers. Slots count from 0, the first of the plan.
type model struct {
	fleet   *fleet.Fleet
	length  slot.Length
	first   slot.Number
	slots   int
	frozen  int // slots before this are only ever thinned
	bands   []bandModel
	sites   []siteModel
	beacons []beacon // by name; behind count, holders of leases only
	count   int
	number  map[string]int // of each beacon, by name
	useAt   []int8         // by beacon and band: which of the beacon's it is, -1 if none
	room    []uint8        // capacity of each resource
	names   []string       // of each resource
	days    []day
	today   []today
	dayOf   []int32
	seed    uint64

	perHour   int // slots in an hour
	hourPhase int // of the plan's first slot within the day, and a number of whole days
	places    int // within the hour, told apart by visits
}

type bandModel struct {
	name      string
	low, high int64     // micro-hertz, edges of the window
	capacity  int       // signals
	holds     int       // signals that the window has room for, if they are the narrowest
	fits      int       // signals that the window and capacity allow
	widest    int64     // of the signals that may use it
	easy      int       // so many fit whoever they are, if none stands still; 0 if that can't be said
	near      [][]int32 // per site, the other sites that are near; nil if none anywhere
}

type siteModel struct {
	source   *fleet.Site
	resource int32      // -1 when it never binds
	apart    [][2]int32 // bands not together
	listen   []listen
	quiet    int32 // row of the board's count of active slots, -1 if no share is asked
}

type listen struct {
	band int32
	row  int32
}

// today is a transmission of the history on the day on which the plan begins.
type today struct {
	site, band int32
	slot       int
}

// day is a UTC day, so far as it lies in history or plan.
type day struct{ slots int }

// use is one of a beacon's bands.
type use struct {
	band   int32
	weight int64
	open   bitset
	always bool  // open in all slots
	half   int64 // micro-hertz: 3 + u
	width  int64 // micro-hertz: 6 + 2u + guard
	ranges [][2]int64
	narrow bool   // the licence allows less than the window
	source string // the band's name
}

func (u *use) opens(t int) bool { return u.always || u.open.has(t) }

type beacon struct {
	name      string
	source    *fleet.Beacon // nil for a holder of a lease who has left
	site      int32         // -1 unknown
	resources []int32
	uses      []use
	any       ranked
	num, den  int64 // share
	rest      int
	amplifier int
	demand    int // in the plan
	whole     int // history included
	past      int // transmissions in the history that count
	priority  int64
	history   []int32 // slots, negative, rising
	pairs     bool
	hash      uint64
	visited   []sending // on its bands, in the history
	lastFull  lastMessage
	unusable  []plan.Shortfall
}

func newModel(in Input) *model {
	f := in.Fleet
	m := &model{fleet: f, length: f.Network.Slot}
	first, end := m.length.Starting(in.From, in.To)
	m.first, m.slots = first, int(end-first)
	if in.Previous != nil {
		lead, _ := m.length.Starting(in.From.Add(lead), in.From.Add(lead))
		m.frozen = min(m.slots, int(lead-first))
	}
	m.seed = seed(f)
	m.perHour = max(1, 3600/int(m.length))
	m.places = min(m.perHour, mostPlaces)
	m.hourPhase = m.phase()
	m.addBands()
	m.addSites()
	m.addDays(in.History)
	m.addBeacons(in)
	m.addResources()
	m.addNear()
	m.measureBands()
	return m
}

// phase places the first slot within a day; days are added so that slots of the
// history have a phase too.
func (m *model) phase() int {
	midnight, next := m.length.Day(m.first)
	const back = 4000 // days
	return int(m.first-midnight) + back*int(next-midnight)
}

func (m *model) addBands() {
	used := map[string]bool{}
	for _, b := range m.fleet.Beacons {
		for _, u := range b.Bands {
			used[u.Band.Name] = true
		}
	}
	for _, b := range m.fleet.Network.Bands.All() {
		if !used[b.Name] {
			continue
		}
		m.bands = append(m.bands, bandModel{
			name: b.Name, low: b.LowHz() * micro, high: b.HighHz() * micro,
			capacity: m.fleet.Network.MaxSignalsPerBand,
		})
	}
	slices.SortFunc(m.bands, func(a, b bandModel) int { return strings.Compare(a.name, b.name) })
}

func (m *model) bandIndex(name string) int {
	i, ok := slices.BinarySearchFunc(m.bands, name, func(b bandModel, n string) int { return strings.Compare(b.name, n) })
	if !ok {
		return -1
	}
	return i
}

func (m *model) addSites() {
	for _, s := range m.fleet.Sites {
		m.sites = append(m.sites, siteModel{source: s, resource: -1, quiet: -1})
	}
	slices.SortFunc(m.sites, func(a, b siteModel) int { return strings.Compare(a.source.Name, b.source.Name) })
	rows := int32(0)
	for i := range m.sites {
		s := &m.sites[i]
		if !s.source.Quiet.IsZero() {
			s.quiet = rows
			rows++
		}
		for _, l := range s.source.Listen {
			if k := m.bandIndex(l.Band); k >= 0 {
				s.listen = append(s.listen, listen{band: int32(k), row: rows})
				rows++
			}
		}
		for _, pair := range s.source.NotTogether {
			a, b := m.bandIndex(pair[0]), m.bandIndex(pair[1])
			if a >= 0 && b >= 0 {
				s.apart = append(s.apart, [2]int32{int32(a), int32(b)})
			}
		}
	}
}

func (m *model) siteIndex(name string) int {
	i, ok := slices.BinarySearchFunc(m.sites, name, func(s siteModel, n string) int { return strings.Compare(s.source.Name, n) })
	if !ok {
		return -1
	}
	return i
}

// addDays counts the slots of each UTC day that lie in history or plan.
func (m *model) addDays(history *plan.Plan) {
	m.dayOf = make([]int32, m.slots)
	if m.slots == 0 {
		return
	}
	end := m.first + slot.Number(m.slots)
	past := m.first
	if history != nil {
		past, _ = m.length.Starting(history.From, history.From)
		past = min(past, m.first)
	}
	for n := m.first; n < end; {
		from, to := m.length.Day(n)
		for t := n; t < min(to, end); t++ {
			m.dayOf[t-m.first] = int32(len(m.days))
		}
		m.days = append(m.days, day{slots: int(min(to, end) - max(from, past))})
		n = to
	}
}

// addResources gives each site and each piece of shared equipment that more
// beacons use than it can carry a number.
func (m *model) addResources() {
	users := map[string][]int{}
	var keys []string
	add := func(key string, b int) {
		if users[key] == nil {
			keys = append(keys, key)
		}
		users[key] = append(users[key], b)
	}
	for i := range m.beacons {
		b := &m.beacons[i]
		if b.site < 0 || b.source == nil {
			continue
		}
		s := m.sites[b.site].source.Name
		add(s, i)
		for _, e := range b.source.Shared {
			add(s+"\x00"+e, i)
		}
	}
	slices.Sort(keys)
	for _, key := range keys {
		name, equipment, shared := strings.Cut(key, "\x00")
		site := &m.sites[m.siteIndex(name)]
		capacity := 1
		if !shared {
			capacity = site.source.TransmittersAtOnce
		}
		if len(users[key]) <= capacity && (shared || site.quiet < 0) {
			continue
		}
		id := int32(len(m.room))
		m.room = append(m.room, uint8(min(capacity, math.MaxUint8)))
		if shared {
			m.names = append(m.names, equipment)
		} else {
			site.resource = id
			m.names = append(m.names, name)
		}
		for _, b := range users[key] {
			m.beacons[b].resources = append(m.beacons[b].resources, id)
		}
	}
}

func ceilMicro(hz float64) int64  { return int64(math.Ceil(hz*micro - 1e-4)) }
func floorMicro(hz float64) int64 { return int64(math.Floor(hz*micro + 1e-4)) }

func byName(a, b *fleet.Beacon) int { return cmp.Compare(a.Name, b.Name) }
