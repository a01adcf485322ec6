package sim

// bugs are those that can be planted, each with a seed that finds it, and how
// long that has to run. The name begins with the promise that is broken.
var bugs = []struct {
	name  string
	seed  uint64
	hours int
}{
	{"S1 anybody's orders", 3, 6},
	{"S1 a slot that is not listed", 1, 6},
	{"S2 a lease from when it came", 4, 6},
	{"S2 a lease of another boot", 3, 6},
	{"S2 no margin", 1, 6},
	{"S2 local without an operator", 1, 6},
	{"S3 a clock that nobody knows", 30, 6},
	{"S3 one witness is enough", 8, 6},
	{"S4 any frequency", 3, 12},
	{"S5 a key-down without end", 1, 6},
	{"S5 a trip forgotten at a restart", 10, 6},
	{"S6 a hush forgotten at a restart", 1, 6},
	{"S6 a hush waits for the disk", 1, 6},
	{"S6 a hush waits for the slot's end", 2, 6},
	{"S7 no heartbeat", 10, 6},
	{"S8 slots change hands at once", 34, 6},
	{"S8 leases look at nobody", 40, 6},
	{"S8 a lease is noted as the shortest there is", 7, 6},
	{"S8 orders count as held when published", 7, 6},
	{"S8 a former kernel is forgotten", 7, 6},
	{"S9 older orders", 1, 6},
	{"S9 an older hush", 7, 6},
	{"S10 outside the segment", 7, 6},
	{"S10 pauses are not planned around", 1, 6},
	{"S11 a second message alone", 3, 6},
	{"S12 a late start", 8, 6},
	{"S12 a slot twice", 14, 6},
	{"S12 a clock that was set", 6, 6},
	{"S13 a second device is served", 1, 6},
	{"S14 a broken-off slot is forgotten", 4, 6},
	{"S14 a lost keyer sent nothing", 1, 6},
	{"L a lease is asked for once", 1, 6},
	{"L records are sent once", 5, 6},
}
