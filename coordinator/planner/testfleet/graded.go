package testfleet

import (
	"fmt"
	"math/rand/v2"
)

// Club is 8 beacons at 3 sites, some behind one antenna.
func Club() *File {
	f := &File{Network: network("Heron Bay Club", nil)}
	f.site("hut", "IP62oa", Object{"transmitters_at_once": 2})
	f.site("mill", "IP62pb", nil)
	f.site("tower", "IP71aa", Object{"quiet_share": 0.1})
	mast := Object{"shared": []string{"mast"}}
	f.beacon("hut-a", "hut", 0.25, mast, on("40m", "20m")...)
	f.beacon("hut-b", "hut", 0.25, mast, on("30m", "17m", "15m")...)
	f.beacon("hut-c", "hut", 0.4, nil, on("80m", "160m")...)
	f.beacon("mill-a", "mill", 0.3, nil, Object{"name": "40m"}, Object{"name": "20m", "weight": 2})
	f.beacon("mill-b", "mill", 0.2, Object{"rest": 1}, on("15m", "10m")...)
	f.beacon("mill-c", "mill", 0.2, nil, on("30m")...)
	f.beacon("tower-a", "tower", 0.2, nil, on("20m", "10m", "6m")...)
	f.beacon("tower-b", "tower", 0.3, Object{"announce": 6}, on("40m", "30m")...)
	return f
}

// Region is 60 beacons at 20 sites, some near each other, with sun rules and
// pauses. Day bands have a night companion, so that every hour is open.
func Region() *File {
	f := &File{Network: network("Skerry Region", Object{"near_km": 40})}
	chance := rand.New(rand.NewPCG(20, 60))
	for i := range 20 {
		f.site(fmt.Sprintf("site-%02d", i), locator(chance, 8, 12, 3, 5), Object{"transmitters_at_once": 1 + i%2})
	}
	sets := [][]Object{
		{{"name": "20m", "sun": "day"}, {"name": "40m", "sun": "night"}},
		{{"name": "30m"}, {"name": "17m", "sun": "day"}},
		on("80m", "60m"), on("15m", "12m", "10m"), on("160m", "6m"), on("40m", "30m", "20m"),
	}
	for i := range 60 {
		f.beacon(fmt.Sprintf("beacon-%02d", i), fmt.Sprintf("site-%02d", i%20),
			share(0.1+0.1*chance.Float64()), nil, copies(sets[chance.IntN(len(sets))])...)
	}
	for i := 0; i < 20; i += 5 {
		f.Pauses = append(f.Pauses, Object{
			"scope": Object{"site": fmt.Sprintf("site-%02d", i)}, "rrule": "FREQ=DAILY",
			"start": "2026-01-05T09:00:00", "duration": "2h", "reason": "class hours",
		})
	}
	return f
}

// Nation is 1,000 beacons at 300 sites.
func Nation() *File { return Scaled("Tern Nation", 1000, 300) }

// World is 10,000 beacons at 4,000 sites.
func World() *File { return Scaled("Tern World", 10_000, 4000) }

// Scaled is a network of any size whose demands just fit: the more beacons, the
// smaller their shares.
func Scaled(name string, beacons, sites int) *File {
	const most = 16
	f := &File{Network: network(name, Object{"max_signals_per_band": most})}
	chance := rand.New(rand.NewPCG(uint64(beacons), uint64(sites)))
	bands := []string{"160m", "80m", "60m", "40m", "30m", "20m", "17m", "15m", "12m", "10m", "6m", "4m"}
	for i := range sites {
		f.site(fmt.Sprintf("site-%05d", i), locator(chance, 0, 18, 4, 14), Object{"transmitters_at_once": 1 + i%2})
	}
	mean := min(0.25, 0.75*most*float64(len(bands))/float64(beacons))
	for i := range beacons {
		n, first := 2+chance.IntN(3), chance.IntN(len(bands))
		var own []Object
		for j := range n {
			band := Object{"name": bands[(first+j*5)%len(bands)]}
			if i%7 == 0 && j == 0 {
				band["sun"] = "day"
			}
			own = append(own, band)
		}
		f.beacon(fmt.Sprintf("beacon-%05d", i), fmt.Sprintf("site-%05d", i%sites), share(mean*(0.5+chance.Float64())), nil, own...)
	}
	return f
}

func copies(bands []Object) []Object {
	var list []Object
	for _, b := range bands {
		c := Object{}
		for k, v := range b {
			c[k] = v
		}
		list = append(list, c)
	}
	return list
}

// locator invents a place with fields of longitude in [west, east) and latitude
// in [south, north).
func locator(chance *rand.Rand, west, east, south, north int) string {
	return fmt.Sprintf("%c%c%d%d%c%c",
		'A'+west+chance.IntN(east-west), 'A'+south+chance.IntN(north-south),
		chance.IntN(10), chance.IntN(10), 'a'+chance.IntN(24), 'a'+chance.IntN(24))
}
