// Package testfleet invents fleets for trials and benchmarks: the graded
// family from a club to a world, oversubscribed ones, pathological ones, and
// random ones from a number. Every fleet is the text of a fleet file, so that
// it passes through the same reader as a real one.
package testfleet

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
)

// Object is a piece of a fleet file.
type Object map[string]any

// File is a fleet file. JSON is YAML, so its text can be read as one.
type File struct {
	Network Object   `json:"network"`
	Sites   []Object `json:"sites"`
	Beacons []Object `json:"beacons"`
	Pauses  []Object `json:"pauses,omitempty"`
}

// Text returns the file.
func (f *File) Text() []byte {
	text, err := json.MarshalIndent(f, "", " ")
	if err != nil {
		panic(err) // an Object holds nothing that has no JSON form
	}
	return text
}

// Shuffle puts all lists whose order means nothing into another order.
func (f *File) Shuffle(seed uint64) {
	chance := rand.New(rand.NewPCG(seed, 1))
	for _, list := range [][]Object{f.Sites, f.Beacons, f.Pauses} {
		chance.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	}
	for _, b := range f.Beacons {
		if bands, ok := b["bands"].([]Object); ok {
			chance.Shuffle(len(bands), func(i, j int) { bands[i], bands[j] = bands[j], bands[i] })
		}
	}
}

// Oversubscribe multiplies every share, at most to 1.
func (f *File) Oversubscribe(factor float64) *File {
	for _, b := range f.Beacons {
		b["share"] = share(b["share"].(float64) * factor)
	}
	return f
}

// share rounds to what a fleet file would say.
func share(x float64) float64 { return min(1, float64(int(x*10000+0.5))/10000) }

func (f *File) site(name, locator string, more Object) {
	s := Object{"name": name, "locator": locator}
	for k, v := range more {
		s[k] = v
	}
	f.Sites = append(f.Sites, s)
}

func (f *File) beacon(name, site string, share float64, more Object, bands ...Object) {
	b := Object{
		"name": name, "callsign": Call(len(f.Beacons)), "site": site, "share": share,
		"control": "automatic", "power_dbm": 23, "uncertainty_ppm": 0.05, "bands": bands,
	}
	for k, v := range more {
		b[k] = v
	}
	f.Beacons = append(f.Beacons, b)
}

// Call returns an invented call sign with the shape of a real one.
func Call(n int) string {
	letter := func(n int) byte { return byte('A' + n%26) }
	return fmt.Sprintf("Q%c%d%c%c%c", letter(n/175760), n/17576%10, letter(n/676), letter(n/26), letter(n))
}

func on(names ...string) []Object {
	var bands []Object
	for _, name := range names {
		bands = append(bands, Object{"name": name})
	}
	return bands
}

func network(name string, more Object) Object {
	n := Object{"name": name}
	for k, v := range more {
		n[k] = v
	}
	return n
}
