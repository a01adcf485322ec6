package fleet

import (
	"slices"
	"strconv"

	"lamplighter/proto/onair/wspr"
)

var useKeys = []string{"name", "weight", "sun", "drive", "power_dbm", "control"}

// uses reads the beacon's bands and completes them from its own power and
// control.
func (r *reader) uses(o *object, b *Beacon, index int) {
	own := BandUse{Weight: Whole(1), Sun: AnyTime, Drive: 100}
	o.optional("control", func(v value) { own.Control = r.control(v) })
	o.optional("power_dbm", func(v value) { own.PowerDBm = r.power(v) })
	b.PowerDBm = own.PowerDBm
	o.required("bands", func(v value) {
		entries := r.entries(v, mostEntries)
		if v.isList() && len(entries) == 0 {
			r.wrong(v, "must name at least one band")
		}
		for _, entry := range entries {
			use, ok := r.use(o, entry, own)
			switch _, twice := b.Use(use.Band.Name); {
			case !ok:
			case twice:
				r.add(entry.at, entry.path(), "band %s stands here twice: keep one", use.Band.Name)
			default:
				r.bandAt[[2]int{index, len(b.Bands)}] = entry
				b.Bands = append(b.Bands, use)
			}
		}
	})
	if !o.has("power_dbm") {
		for _, use := range b.Bands {
			b.PowerDBm = max(b.PowerDBm, use.PowerDBm)
		}
	}
}

// use reads one band, given by name or as a map; use holds the defaults.
func (r *reader) use(beacon *object, v value, use BandUse) (BandUse, bool) {
	stated := func(string) bool { return false }
	if v.isMap() {
		o, _ := r.object(v, "a beacon's band", useKeys...)
		stated = o.has
		o.required("name", func(v value) { use.Band, _ = r.bandName(v) })
		o.decimal("weight", true, 1_000_000, &use.Weight)
		o.optional("sun", func(v value) {
			word := r.word(v, string(Day), string(Night), string(AnyTime))
			use.Sun = Sun(word)
		})
		o.integer("drive", 1, 100, &use.Drive)
		o.optional("power_dbm", func(v value) { use.PowerDBm = r.power(v) })
		o.optional("control", func(v value) { use.Control = r.control(v) })
	} else {
		use.Band, _ = r.bandName(v)
	}
	if use.Band.Name == "" {
		return use, false
	}
	if !beacon.has("control") && !stated("control") {
		r.add(v.at, v.path(), "nothing says who can stop the transmitter on %s: give the beacon or this band control: local, remote or automatic", use.Band.Name)
	}
	if !beacon.has("power_dbm") && !stated("power_dbm") {
		r.add(v.at, v.path(), "nothing says the power on %s: give the beacon or this band power_dbm", use.Band.Name)
	}
	return use, true
}

func (r *reader) control(v value) Control {
	word := r.word(v, string(Local), string(Remote), string(Automatic))
	return Control(word)
}

// power reads a power that a message can state.
func (r *reader) power(v value) int {
	n, ok := r.integer(v, 0, 60)
	if !ok {
		return 0
	}
	legal := wspr.LegalPowers()
	if !slices.Contains(legal, int(n)) {
		words := make([]string, len(legal))
		for i, p := range legal {
			words[i] = strconv.Itoa(p)
		}
		r.wrong(v, "of %d can't be stated in a message: use %s, such as %d", n, list(words, "or"), wspr.NearestPower(int(n)))
	}
	return int(n)
}
