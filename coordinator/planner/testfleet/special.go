package testfleet

import "fmt"

// Rotation is the published rotation of 18 sites over five bands in turns of
// 10 s (club and society pages): 14.100, 18.110, 21.150, 24.930 and 28.200 MHz,
// one signal per band. Each site is to have 5 of 18 turns.
func Rotation(share float64) *File {
	f := &File{Network: network("Rotation", Object{"slot_seconds": 10, "max_signals_per_band": 1, "bands": []Object{
		{"name": "20m", "dial_hz": 14098500},
		{"name": "17m", "dial_hz": 18108500},
		{"name": "15m", "dial_hz": 21148500},
		{"name": "12m", "dial_hz": 24928500},
		{"name": "10m", "dial_hz": 28198500},
	}})}
	for i := range 18 {
		site := fmt.Sprintf("site-%02d", i+1)
		f.site(site, fmt.Sprintf("%c%c00aa", 'A'+i, 'A'+(7*i)%18), nil)
		f.beacon(fmt.Sprintf("beacon-%02d", i+1), site, share, nil, on("20m", "17m", "15m", "12m", "10m")...)
	}
	return f
}

// Pathological returns fleets that are odd each in one way, by name.
func Pathological() map[string]*File {
	one := func(name string, net, site Object, beacons int, share float64, limits Object, bands ...Object) *File {
		f := &File{Network: network(name, net), Beacons: []Object{}}
		f.site("hill", "IP62oa", site)
		for i := range beacons {
			f.beacon(fmt.Sprintf("beacon-%02d", i), "hill", share, limits, bands...)
		}
		return f
	}
	ten := on("160m", "80m", "60m", "40m", "30m", "20m", "17m", "15m", "12m", "10m")
	hour := one("One hour", nil, Object{"transmitters_at_once": 2}, 3, 0.5, nil, on("40m")...)
	hour.Pauses = []Object{{"scope": Object{}, "rrule": "FREQ=DAILY", "start": "2026-01-01T13:00:00", "duration": "23h", "reason": "one hour a day"}}
	near := &File{Network: network("Near", Object{"near_km": 400})}
	for i := range 20 {
		site := fmt.Sprintf("site-%02d", i)
		near.site(site, fmt.Sprintf("IP6%daa", i%10), nil)
		near.beacon(fmt.Sprintf("beacon-%02d", i), site, 0.1, nil, on("40m")...)
	}
	narrow := &File{Network: network("Narrow", Object{"bands": []Object{{"name": "40m", "dial_hz": 7038600, "window_hz": []int{1485, 1515}}}})}
	for i := range 8 {
		site := fmt.Sprintf("site-%d", i)
		narrow.site(site, fmt.Sprintf("%cP00aa", 'A'+2*i), nil)
		narrow.beacon(fmt.Sprintf("beacon-%d", i), site, 0.6, nil, on("40m")...)
	}
	return map[string]*File{
		"one site one band":   one("One band", nil, Object{"transmitters_at_once": 5}, 12, 0.2, nil, on("40m")...),
		"one hour a day":      hour,
		"too uncertain":       one("Uncertain", nil, nil, 1, 0.5, Object{"uncertainty_ppm": 1}, on("2m", "40m")...),
		"quiet 0.9":           one("Quiet", nil, Object{"quiet_share": 0.9, "transmitters_at_once": 3}, 6, 0.1, nil, ten[:5]...),
		"rest 5":              one("Rest", nil, nil, 6, 1, Object{"rest": 5}, on("40m", "20m")...),
		"forty at ten":        one("Forty", nil, Object{"transmitters_at_once": 10}, 40, 0.25, nil, ten...),
		"near sites":          near,
		"30 Hz window":        narrow,
		"no band":             one("No band", nil, nil, 2, 0.5, Object{"uncertainty_ppm": 1}, on("2m")...),
		"one beacon":          one("One", nil, nil, 1, 0.5, nil, on("40m", "20m")...),
		"no beacon":           one("None", nil, nil, 0, 0, nil),
		"pairs":               one("Pairs", nil, nil, 4, 0.25, Object{"announce": 6}, on("40m", "20m")...),
		"amplifier":           one("Amplifier", nil, nil, 3, 0.5, Object{"max_in_30min": 3}, on("40m", "20m")...),
		"listening on a band": one("Listen", nil, Object{"transmitters_at_once": 2, "listen": []Object{{"band": "40m", "share": 0.8}}}, 4, 0.3, nil, on("40m", "20m")...),
	}
}
