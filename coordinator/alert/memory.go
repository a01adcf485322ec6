package alert

import (
	"maps"
	"slices"
	"strings"
	"time"
)

// State says how far an alert is.
type State string

// The states.
const (
	Pending      State = "pending"      // true, but not for long enough
	Raised       State = "raised"       // true for long enough
	Acknowledged State = "acknowledged" // raised, and somebody looks after it
	Unsteady     State = "unsteady"     // it comes and goes
	Cleared      State = "cleared"      // over for long enough, or never raised
)

// Open says whether the alert stands on the front page.
func (s State) Open() bool { return s == Raised || s == Acknowledged || s == Unsteady }

// How alerts go on.
const (
	unsteadyCount = 5                // beginnings within unsteadyIn that make it unsteady
	unsteadyIn    = time.Hour        //
	steadyAfter   = 30 * time.Minute // without change, until it is steady again
	settle        = 5 * time.Minute  // what a parent hid waits so long after its end
	tellIn        = time.Hour        // within it a recipient hears tellMost times of an alert
	tellMost      = 2
	forget        = time.Hour   // after which a cleared alert that is quiet is closed
	refresh       = time.Minute // how often the sentence of an open one is stored anew
)

// Alert is one condition of one thing in its course. All of it is stored.
type Alert struct {
	Key
	Number   int64 // given by the store; 0: not stored yet
	State    State
	Bad      bool        // true at the last look
	Changed  time.Time   // when Bad did
	Begins   []time.Time // when it began, within the last hour
	Since    time.Time   // when this course of it began
	RaisedAt time.Time
	OverAt   time.Time
	Sentence string
	Said     time.Time // when Sentence was stored last
	Step     int
	HiddenBy Code      // an open alert that explains it
	Until    time.Time // nobody is told before: what explained it has just ended
	Silenced bool
	Closed   bool

	By, Why string // who acknowledged it and their words
	At      time.Time

	Heard map[string]Heard // by recipient
}

// Heard is what a recipient was told of an alert last.
type Heard struct {
	What Event
	Step int
	At   []time.Time // within the last hour
}

// Memory is the alerts that are not closed.
type Memory struct {
	alerts map[Key]*Alert
}

// NewMemory takes up alerts where they were left.
func NewMemory(stored []Alert) *Memory {
	m := &Memory{map[Key]*Alert{}}
	for _, a := range stored {
		m.alerts[a.Key] = &a
	}
	return m
}

// Alerts gives all of them, sorted by key.
func (m *Memory) Alerts() []*Alert {
	return slices.SortedFunc(maps.Values(m.alerts), func(a, b *Alert) int { return compareKeys(a.Key, b.Key) })
}

func compareKeys(a, b Key) int {
	if c := strings.Compare(a.Site, b.Site); c != 0 {
		return c
	}
	if c := strings.Compare(a.Beacon, b.Beacon); c != 0 {
		return c
	}
	return strings.Compare(string(a.Code), string(b.Code))
}

// Acknowledgement is somebody's word that they look after an alert.
type Acknowledgement struct {
	By, Why string
	At      time.Time
}

// Given is what people said of alerts.
type Given struct {
	Acknowledged map[int64]Acknowledgement // by the alert's number
	Silences     []Silence
}

// Step takes the findings of a moment in, and gives the alerts that changed.
// What is found of a condition that is not declared is passed over.
func (m *Memory) Step(look *Found, given Given, now time.Time) []*Alert {
	changed := map[*Alert]bool{}
	found := make(map[Key]Finding, len(look.Findings))
	for _, f := range look.Findings {
		if byCode[f.Code] == nil {
			continue
		}
		found[f.Key] = f
		if m.alerts[f.Key] == nil {
			m.alerts[f.Key] = &Alert{Key: f.Key, State: Pending, Since: now, Changed: now, Heard: map[string]Heard{}}
			changed[m.alerts[f.Key]] = true
		}
	}
	for key, a := range m.alerts {
		f, bad := found[key]
		moved := (bad || !look.unknown(key)) && a.move(bad, look, now)
		if a.acknowledge(given.Acknowledged[a.Number]) || moved {
			changed[a] = true
		}
		if bad && (f.Step != a.Step || a.Sentence == "" || now.Sub(a.Said) >= refresh || changed[a]) {
			a.Sentence, a.Step, a.Said = f.Sentence, f.Step, now
			changed[a] = true
		}
	}
	for key, a := range m.alerts {
		if m.hide(a, given.Silences, now) {
			changed[a] = true
		}
		if a.over(now) {
			a.Closed = true
			changed[a] = true
			delete(m.alerts, key)
		}
	}
	return slices.SortedFunc(maps.Keys(changed), func(a, b *Alert) int { return compareKeys(a.Key, b.Key) })
}

// move lets time and the last look change the state, and says whether they did.
func (a *Alert) move(bad bool, look *Found, now time.Time) bool {
	toRaise, toClear := look.course(a.Key)
	before := a.State
	turned := bad != a.Bad
	if turned {
		a.Bad, a.Changed = bad, now
		a.Begins = recent(a.Begins, now, unsteadyIn)
		if bad {
			a.Begins = append(a.Begins, now)
		}
	}
	lasted := now.Sub(a.Changed)
	switch {
	case turned && bad && len(a.Begins) >= unsteadyCount && !a.State.Open():
		a.raise(Unsteady, now)
	case turned && bad && len(a.Begins) >= unsteadyCount:
		a.State = Unsteady
	case a.State == Unsteady:
		if lasted >= steadyAfter {
			a.State = Raised
			if !bad {
				a.clear(now)
			}
		}
	case a.State == Cleared && bad:
		a.State, a.Since, a.OverAt = Pending, now, time.Time{}
		a.By, a.Why, a.At = "", "", time.Time{}
	case a.State == Pending && bad && lasted >= toRaise:
		a.raise(Raised, now)
	case a.State == Pending && !bad:
		a.clear(now)
	case a.State.Open() && !bad && lasted >= toClear:
		a.clear(now)
	}
	if a.State == Pending && bad && toRaise == 0 {
		a.raise(Raised, now)
	}
	return turned || a.State != before
}

func (a *Alert) raise(to State, now time.Time) {
	a.State, a.RaisedAt, a.OverAt = to, now, time.Time{}
}

func (a *Alert) clear(now time.Time) { a.State, a.OverAt, a.HiddenBy = Cleared, now, "" }

func (a *Alert) acknowledge(said Acknowledgement) bool {
	if said.At.IsZero() || said.At.Equal(a.At) || said.At.Before(a.RaisedAt) || !a.State.Open() {
		return false
	}
	a.By, a.Why, a.At = said.By, said.Why, said.At
	if a.State == Raised {
		a.State = Acknowledged
	}
	return true
}

// hide finds out whether another alert explains this one, or a silence covers
// it, and says whether that is new.
func (m *Memory) hide(a *Alert, silences []Silence, now time.Time) bool {
	by, held, silenced := Code(""), a.Until, covered(a, silences, now)
	if a.Bad || a.State.Open() {
		for _, code := range byCode[a.Code].HiddenBy {
			for _, key := range []Key{{code, a.Site, a.Beacon}, {code, a.Site, ""}, {code, "", ""}} {
				parent := m.alerts[key]
				if parent == nil || key == a.Key || !parent.State.Open() && !(parent.Bad && parent.State == Pending) {
					continue
				}
				if by == "" || parent.State.Open() {
					by = code
				}
				if parent.State.Open() {
					held = now.Add(settle)
				}
			}
		}
	}
	changed := by != a.HiddenBy || silenced != a.Silenced || held.Sub(a.Until) >= refresh
	a.HiddenBy, a.Silenced = by, silenced
	if changed {
		a.Until = held
	}
	return changed
}

// over says whether the alert may be closed: cleared, all who heard of it heard
// that too, and quiet for long enough to start anew.
func (a *Alert) over(now time.Time) bool {
	if a.State != Cleared || now.Sub(a.Changed) < forget {
		return false
	}
	for _, heard := range a.Heard {
		if heard.What != Over {
			return false
		}
	}
	return true
}

// recent is the part of times that is not older than d.
func recent(times []time.Time, now time.Time, d time.Duration) []time.Time {
	return slices.DeleteFunc(slices.Clone(times), func(at time.Time) bool { return now.Sub(at) >= d })
}
