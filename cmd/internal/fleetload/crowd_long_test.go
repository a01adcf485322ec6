//go:build long

package fleetload

import (
	"flag"
	"testing"
	"time"
)

var (
	agents = flag.Int("agents", 10_000, "how many agents there are")
	rest   = flag.Duration("rest", time.Minute, "how long they are measured at rest")
)

// 10,000 agents at one coordinator with its private Postgres, and the goals that
// are set for two cores.
func TestAHugeCrowd(t *testing.T) {
	trial(t, plan{agents: *agents, within: 20 * time.Second, settle: 30 * time.Second, idle: *rest, judged: true})
}

// The same with TLS, each device with a certificate of its own. What the other
// end of 10,000 handshakes costs, the agents' own, is borne by the same two cores:
// so how soon all are back is told and not judged.
func TestAHugeCrowdWithCertificates(t *testing.T) {
	trial(t, plan{agents: *agents, within: 40 * time.Second, settle: 30 * time.Second, idle: *rest, encrypted: true})
}
