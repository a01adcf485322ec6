package fleetload

import (
	"strings"
	"testing"
	"time"
)

// Whoever lacks something is told of, and nobody else: one that had its lease in
// the moment when the crowd began to gather lacks none.
func TestWhoLacksSomethingIsToldOf(t *testing.T) {
	began := time.Now()
	all := func(a *agent) {
		a.openedAt, a.orders, a.leased = began, pair{1, 1}, began.Add(time.Nanosecond)
	}
	for _, c := range []struct {
		name   string
		change func(*agent)
		lacks  bool
	}{
		{"nothing", func(*agent) {}, false},
		{"a connection", func(a *agent) { a.openedAt = time.Time{} }, true},
		{"orders", func(a *agent) { a.orders = pair{} }, true},
		{"a lease", func(a *agent) { a.leased = time.Time{} }, true},
		{"a lease since then", func(a *agent) { a.leased = began }, true},
	} {
		crowd := &Crowd{began: began, options: Options{HealthEvery: time.Minute}}
		for _, name := range []string{"one", "other"} {
			a := newAgent(crowd, name)
			all(a)
			crowd.agents = append(crowd.agents, a)
		}
		c.change(crowd.agents[1])
		told := crowd.Lacking(crowd.began, 5)
		if lacks := len(told) == 1 && strings.HasPrefix(told[0], "other: "); lacks != c.lacks || len(told) > 1 {
			t.Errorf("who lacks %s: told %q", c.name, told)
		}
	}
}
