package planner

import (
	"hash/fnv"

	"lamplighter/coordinator/fleet"
)

// seed starts all chance: the network's name for itself. Days come in through
// the numbers of the slots, which never repeat.
func seed(f *fleet.Fleet) uint64 { return hashName(f.Network.ID) }

func hashName(name string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(name)) // never fails
	return h.Sum64()
}

// mix is a hash of two numbers.
func mix(a, b uint64) uint64 {
	x := a ^ (b+0x9e3779b97f4a7c15)*0xbf58476d1ce4e5b9
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	return x ^ x>>31
}
