//go:build !long

package outbox

// kills is how often a process is killed at random.
const kills = 12
