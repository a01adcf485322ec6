package fleetload

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// plan is how large a trial is, and how long its parts take.
type plan struct {
	agents       int
	within       time.Duration // in which the first connections are made
	settle, idle time.Duration
	encrypted    bool
	judged       bool // whether the goals count
}

// A crowd of 200 lives through what the long measurement does with 10,000. How
// long it takes is not judged; that nothing is lost is.
func TestASmallCrowd(t *testing.T) {
	trial(t, plan{agents: 200, within: time.Second, settle: time.Second, idle: time.Second, encrypted: true})
}

// trial gathers a crowd at a coordinator and measures it at rest, under a hush,
// with new orders, and after the coordinator was killed.
func trial(t *testing.T, p plan) {
	if room := roomForDescriptors(t); room < p.agents+200 {
		t.Fatalf("this process may open %d files, and %d agents need more: raise ulimit -n", room, p.agents)
	}
	c := newCoordinator(t, p.agents, p.encrypted)
	o := Options{Network: c.network, Beacons: c.beacons, Broker: c.mqtt, Keys: c.keyring(), HealthEvery: 30 * time.Second, Records: true, Within: p.within}
	if p.encrypted {
		o.TLS, o.Certificates = c.agentTLS(), c.equip()
	}
	<-time.After(p.settle / 4) // what is measured is to be at rest
	alone := c.usage()
	crowd := Gather(o)
	t.Cleanup(crowd.Leave)
	m := measurement{t, c, crowd, p}
	began := crowd.began // the first have a lease before the last are gathered, and ask for no other for minutes
	m.waitForAll(began)
	t.Logf("%d agents connected within %.1f s, with orders, a lease and an empty outbox after %.1f s; load %s", p.agents, m.p.within.Seconds(), time.Since(began).Seconds(), load(t))
	m.idle(alone)
	m.hush()
	m.orders()
	m.storm()
	m.nothingLost()
}

// mostLacking is how many agents are told of that lack something.
const mostLacking = 5

type measurement struct {
	t     *testing.T
	c     *coordinator
	crowd *Crowd
	p     plan
}

// waitForAll waits until every agent is connected, has orders and a lease since
// a time, and a receipt for all its records.
func (m *measurement) waitForAll(since time.Time) {
	m.t.Helper()
	defer func() {
		if m.t.Failed() {
			m.t.Logf("of %d agents %d are connected, %d have a lease and %d orders; %d records wait", m.p.agents,
				m.crowd.Connected(), len(m.crowd.Leased(since)), len(m.crowd.Ordered(time.Time{}.Add(time.Second))), m.crowd.Waiting())
			faults, refusals := m.crowd.Faults()
			m.t.Logf("what came down and should not have: %v; leases that were refused: %v", faults, refusals)
			for _, sentence := range m.crowd.Lacking(since, mostLacking) {
				m.t.Log(sentence)
			}
		}
	}()
	m.c.eventually("every agent is up with orders and a lease, and has nothing left to send", func() bool {
		return m.crowd.Connected() == m.p.agents && len(m.crowd.Leased(since)) == m.p.agents &&
			len(m.crowd.Ordered(time.Time{}.Add(time.Second))) == m.p.agents && m.crowd.Waiting() <= m.p.agents/20
	})
}

// idle measures what the agents cost at rest.
func (m *measurement) idle(alone usage) {
	m.t.Helper()
	<-time.After(m.p.settle)
	before := m.c.usage()
	leases := m.crowd.grants.Load()
	records := m.crowd.stored.Load()
	<-time.After(m.p.idle)
	after := m.c.usage()
	took := after.at.Sub(before.at).Seconds()
	n := float64(m.p.agents)
	share := func(a, b time.Duration) float64 { return 100 * (b - a).Seconds() / took }
	m.t.Logf("idle, %.0f s: coordinator %.1f %% of a core, Postgres %.1f %%, the crowd itself %.1f %%; %.0f leases and %.0f records a second; load %s", took,
		share(before.processor, after.processor), share(before.database, after.database), share(before.own, after.own),
		float64(m.crowd.grants.Load()-leases)/took, float64(m.crowd.stored.Load()-records)/took, load(m.t))
	m.t.Logf("idle: %.1f KiB resident an agent, %.1f KiB of it more than without agents (%d MiB then); %.3f descriptors an agent",
		float64(after.resident)/1024/n, float64(after.resident-alone.resident)/1024/n, alone.resident>>20, float64(after.descriptors)/n)
	if m.p.judged {
		m.goal(share(before.processor, after.processor), 15, "%% of a core at rest")
		m.goal(float64(after.resident)/1024/n, 64, "KiB an agent")
	}
}

func (m *measurement) goal(is, most float64, what string) {
	m.t.Helper()
	if is > most {
		m.t.Errorf("%.1f "+what+", and the goal is %.0f", is, most)
	}
}

// hush silences the whole network, and ends that.
func (m *measurement) hush() {
	m.t.Helper()
	service := apiv1.NewHushServiceClient(m.c.conn)
	asked := time.Now()
	stream, err := service.Hush(m.t.Context(), &apiv1.HushRequest{Scope: &apiv1.HushedScope{}, Reason: "a trial"})
	if err != nil {
		m.t.Fatal(err)
	}
	var confirmed []time.Duration
	stored := m.steps(stream, func(s *apiv1.HushResponse) {
		if s.GetConfirmed() {
			confirmed = append(confirmed, time.Since(asked))
		}
	}) - time.Duration(asked.UnixNano())
	m.c.eventually("every agent has the hush", func() bool { return len(m.crowd.Hushed(asked)) == m.p.agents })
	has := m.crowd.Hushed(asked)
	m.t.Logf("hush to %d agents: stored after %.2f s; the agent has it: %s; its confirmation is with whoever asked: %s (%d within 5 s); load %s",
		m.p.agents, stored.Seconds(), spread(has), spread(confirmed), len(confirmed), load(m.t))
	if m.p.judged {
		m.goal(part(has, m.p.agents, 0.99).Seconds(), 2, "s until 99 %% have a hush")
		m.goal(part(confirmed, m.p.agents, 0.99).Seconds(), 2, "s until 99 %% have confirmed it")
	}
	asked = time.Now()
	if _, err := service.Release(m.t.Context(), &apiv1.ReleaseRequest{Scope: &apiv1.HushedScope{}, Reason: "it is over"}); err != nil {
		m.t.Fatal(err)
	}
	m.c.eventually("every agent knows of the release", func() bool { return len(m.crowd.Hushed(asked)) == m.p.agents })
	m.t.Logf("release of %d agents: the agent has it: %s", m.p.agents, spread(m.crowd.Hushed(asked)))
}

// steps reads a stream to its end, and returns when its first step came, in
// nanoseconds of Unix time.
func (m *measurement) steps(stream grpc.ServerStreamingClient[apiv1.HushResponse], each func(*apiv1.HushResponse)) (first time.Duration) {
	m.t.Helper()
	for {
		s, err := stream.Recv()
		if err != nil {
			if first == 0 {
				m.t.Fatal(err)
			}
			return first
		}
		if first == 0 {
			first = time.Duration(time.Now().UnixNano())
		}
		each(s)
	}
}

// orders changes the fleet, so that everybody gets other orders.
func (m *measurement) orders() {
	m.t.Helper()
	asked := time.Now()
	m.c.change()
	applied := time.Since(asked)
	m.c.eventually("every agent has new orders", func() bool { return len(m.crowd.Ordered(asked)) == m.p.agents })
	has := m.crowd.Ordered(asked)
	m.t.Logf("orders to %d agents after a change of the fleet: it is in force after %.2f s; the agent has them: %s; load %s",
		m.p.agents, applied.Seconds(), spread(has), load(m.t))
	m.waitForAll(asked)
	m.t.Logf("orders: all have a lease for them and an empty outbox after %.1f s", time.Since(asked).Seconds())
}

// storm kills the coordinator and starts it again.
func (m *measurement) storm() {
	m.t.Helper()
	killed := time.Now()
	m.c.kill()
	<-time.After(time.Second) // a service manager's pause
	m.c.start()
	m.c.waitFor("the coordinator is up")
	listens := time.Since(killed)
	m.c.eventually("every agent is up again", func() bool { return len(m.crowd.Up(killed)) == m.p.agents })
	up := m.crowd.Up(killed)
	m.t.Logf("storm of %d agents: it was up again %.2f s after the kill; the agents are back: %s after the kill; load %s", m.p.agents, listens.Seconds(), spread(up), load(m.t))
	if m.p.judged {
		m.goal(part(up, m.p.agents, 0.99).Seconds(), 10, "s until 99 %% are back")
		m.goal(part(up, m.p.agents, 1).Seconds(), 70, "s until all are back")
	}
	m.waitForAll(killed)
	m.t.Logf("storm: leases are renewed: %s; all have an empty outbox after %.1f s", spread(m.crowd.Leased(killed)), time.Since(killed).Seconds())
}

// nothingLost compares what the agents have said with what is stored.
func (m *measurement) nothingLost() {
	m.t.Helper()
	m.c.eventually("every record has a receipt", func() bool { return m.crowd.Waiting() == 0 })
	made := int64(m.crowd.Made())
	if stored := m.c.ask("select count(*) from records"); stored < made {
		m.t.Errorf("%d records were made and have receipts, and %d are stored", made, stored)
	}
	if beacons := m.c.ask("select count(*) from beacon_status where online"); beacons != int64(m.p.agents) {
		m.t.Errorf("%d beacons are online, of %d", beacons, m.p.agents)
	}
	faults, refusals := m.crowd.Faults()
	if len(faults)+len(refusals) > 0 {
		m.t.Errorf("what came down and should not have: %v; leases that were refused: %v", faults, refusals)
	}
	m.t.Logf("%d records, each with a receipt and stored", made)
}

// part is when so much of all was there; 0: that much never was.
func part(of []time.Duration, all int, share float64) time.Duration {
	slices.Sort(of)
	n := int(float64(all)*share + 0.999999)
	if n > len(of) {
		return time.Hour
	}
	return of[n-1]
}

func spread(of []time.Duration) string {
	if len(of) == 0 {
		return "none"
	}
	var text []string
	for _, share := range []struct {
		name  string
		share float64
	}{{"half", 0.5}, {"90 %", 0.9}, {"99 %", 0.99}, {"all", 1}} {
		text = append(text, fmt.Sprintf("%s %.2f s", share.name, part(of, len(of), share.share).Seconds()))
	}
	return strings.Join(text, ", ")
}
