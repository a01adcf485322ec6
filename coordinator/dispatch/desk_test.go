package dispatch

import (
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Requests that come while others are decided on are decided together, each once,
// and of a beacon never two at a time.
func TestRequestsAreDecidedInGroups(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var groups [][]string
		began, decided := make(chan struct{}), make(chan error)
		d := &desk{decide: func(group []*petition) error {
			var names []string
			for _, p := range group {
				names = append(names, p.request.Beacon)
				p.decision.Sentence = p.request.Beacon
			}
			slices.Sort(names)
			groups = append(groups, names)
			began <- struct{}{}
			return <-decided
		}}
		var asking sync.WaitGroup
		var guard sync.Mutex
		refused := map[string]int{}
		ask := func(beacon string) {
			asking.Go(func() {
				decision, err := d.ask(&wirev1.LeaseRequest{Beacon: beacon, Run: rand.Text()}) // each from a device of its own
				if decision.Sentence != beacon {
					t.Errorf("%s was answered for %q", beacon, decision.Sentence)
				}
				if err != nil {
					guard.Lock()
					refused[beacon]++
					guard.Unlock()
				}
			})
			synctest.Wait()
		}
		ask("a")
		<-began
		for _, beacon := range []string{"b", "a", "c", "b"} {
			ask(beacon)
		}
		decided <- nil
		<-began
		decided <- errors.New("the database is away")
		<-began
		decided <- nil
		asking.Wait()
		if got, want := fmt.Sprint(groups), "[[a] [a b c] [b]]"; got != want {
			t.Errorf("groups %s, want %s", got, want)
		}
		if got, want := fmt.Sprint(refused), "map[a:1 b:1 c:1]"; got != want {
			t.Errorf("not stored: %s, want %s", got, want)
		}
		if d.busy || len(d.waiting) > 0 {
			t.Error("it goes on when nobody asks any more")
		}
		ask("a")
		<-began
		decided <- nil
		asking.Wait()
	})
}

// Whoever asks again while nobody has come to its first request is decided on once,
// by what it asked last, and in the place of the first.
func TestARequestTakesThePlaceOfAnOlderOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var groups []string
		began, decided := make(chan struct{}), make(chan struct{})
		d := &desk{decide: func(group []*petition) error {
			text := ""
			for _, p := range group {
				text += " " + p.request.Beacon + string(p.asked.GetNonce())
			}
			groups = append(groups, text)
			began <- struct{}{}
			<-decided
			return nil
		}}
		var asking sync.WaitGroup
		ask := func(beacon, nonce string, want error) {
			asking.Go(func() {
				if _, err := d.ask(&wirev1.LeaseRequest{Beacon: beacon, Nonce: []byte(nonce)}); !errors.Is(err, want) {
					t.Errorf("%s%s: %v, want %v", beacon, nonce, err, want)
				}
			})
			synctest.Wait()
		}
		ask("a", "1", nil)
		<-began
		ask("b", "1", errOvertaken)
		ask("c", "1", nil)
		ask("b", "2", errOvertaken)
		ask("a", "2", nil)
		ask("b", "3", nil)
		decided <- struct{}{}
		<-began
		ask("b", "4", nil) // the third is being decided on
		decided <- struct{}{}
		<-began
		decided <- struct{}{}
		asking.Wait()
		if got, want := fmt.Sprint(groups), "[ a1  b3 c1 a2  b4]"; got != want {
			t.Errorf("groups %s, want %s", got, want)
		}
	})
}

// Requests that each come alone are decided in few groups, and the first of them
// at once.
func TestRequestsThatTrickleInAreGathered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		groups := 0
		d := &desk{decide: func([]*petition) error { groups++; return nil }}
		began := time.Now()
		ask := func(beacon string) {
			if _, err := d.ask(&wirev1.LeaseRequest{Beacon: beacon}); err != nil {
				t.Error(err)
			}
		}
		if ask("first"); time.Since(began) != 0 {
			t.Errorf("the first waited for %s", time.Since(began))
		}
		var asking sync.WaitGroup
		for i := range 100 {
			asking.Go(func() {
				<-time.After(time.Duration(i) * 10 * time.Millisecond)
				asked := time.Now()
				if ask(fmt.Sprint(i)); time.Since(asked) > gatherFor {
					t.Errorf("request %d waited for %s", i, time.Since(asked))
				}
			})
		}
		asking.Wait()
		if most := int(time.Second/gatherFor) + 1; groups > most {
			t.Errorf("%d groups for 100 requests in a second, and %d are enough", groups, most)
		}
		<-time.After(gatherFor)
		quiet := time.Now()
		if ask("late"); time.Since(quiet) != 0 {
			t.Errorf("after a quiet moment one waited for %s", time.Since(quiet))
		}
	})
}

// What is wrong with one request is told to nobody else.
func TestOneAtFaultIsRefusedAlone(t *testing.T) {
	d := &desk{decide: func(group []*petition) error {
		for _, p := range group {
			if p.request.Beacon == "bad" {
				p.err = errors.New("the database refuses it")
			}
		}
		return nil
	}}
	for beacon, refused := range map[string]bool{"good": false, "bad": true} {
		if _, err := d.ask(&wirev1.LeaseRequest{Beacon: beacon}); (err != nil) != refused {
			t.Errorf("%s: %v", beacon, err)
		}
	}
}

func TestAGroupIsBounded(t *testing.T) {
	d := &desk{}
	for i := range mostPetitions + 1 {
		p := &petition{asked: &wirev1.LeaseRequest{}, ready: make(chan struct{})}
		p.request.Beacon = fmt.Sprint(i)
		d.waiting = append(d.waiting, p)
	}
	if first, second := len(d.next()), len(d.next()); first != mostPetitions || second != 1 {
		t.Errorf("groups of %d and %d", first, second)
	}
}
