package broker

import (
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/broker/brokertest"
	"lamplighter/proto/topic"
)

func TestAnAddressThatIsNoneIsRefused(t *testing.T) {
	for _, url := range []string{"", "127.0.0.1:1883", "tcp://127.0.0.1", "tcp://:1883", "http://127.0.0.1:1883", "tcp://%zz:1"} {
		_, err := NewExternal(ExternalOptions{Network: network, URL: url, Log: silent(), Metrics: prometheus.NewRegistry()})
		if err == nil || !strings.Contains(err.Error(), "tcp://HOST:PORT") {
			t.Errorf("%q: %v", url, err)
		}
	}
}

func TestThePauseGrowsAndIsBounded(t *testing.T) {
	for attempt := range 100 {
		bound := min(longestPause, shortestPause<<min(attempt, 10))
		for range 20 {
			if p := pause(attempt); p < 0 || p >= bound {
				t.Fatalf("attempt %d: pause %v, bound %v", attempt, p, bound)
			}
		}
	}
}

func TestItComesBackAfterTheBrokerWasKilled(t *testing.T) {
	m := brokertest.StartMosquitto(t)
	b := client(t, m.URL())
	connects := started(t, b)
	for range 3 {
		m.Kill()
		m.Start()
		receive(t, connects)
		// The subscriptions are there again.
		a := connect(t, b.Addr(), mill, nil)
		token := a.Publish(mill.Topic(topic.Health), 1, false, []byte("well"))
		receive(t, b.Deliveries()).Done()
		if err := done(t, token); err != nil {
			t.Fatal(err)
		}
		a.Disconnect(50)
	}
}

func TestWhatWasNotDoneComesAgain(t *testing.T) {
	// A broker outside holds a message for this session only; what protects it
	// beyond that is that the agent keeps it until the receipt. What must hold
	// here: retained messages are told apart, and come at each connect.
	m := brokertest.StartMosquitto(t)
	a := connect(t, m.Addr(), mill, nil)
	if err := done(t, a.Publish(mill.Topic(topic.Presence), 1, true, []byte("online"))); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		b := client(t, m.URL())
		started(t, b)
		d := receive(t, b.Deliveries())
		if !d.Retained || string(d.Payload) != "online" {
			t.Errorf("delivered %q, retained %v", d.Payload, d.Retained)
		}
		d.Done()
		b.Stop()
	}
}

func TestARefusedSubscriptionIsNoConnection(t *testing.T) {
	asked := subscriptions(network, "coordinator-1")
	if len(asked) != 7 {
		t.Fatalf("%d subscriptions", len(asked))
	}
	if err := granted(asked, asked); err != nil {
		t.Error(err)
	}
	for filter := range asked {
		result := subscriptions(network, "coordinator-1")
		result[filter] = 0x80 // MQTT 3.1.1, section 3.9.3
		if err := granted(result, asked); err == nil || !strings.Contains(err.Error(), filter) {
			t.Errorf("refused %s: %v", filter, err)
		}
		delete(result, filter)
		if granted(result, asked) == nil {
			t.Errorf("no answer for %s was taken as one", filter)
		}
	}
}

func TestNoBrokerIsNoReasonToWait(t *testing.T) {
	m := brokertest.StartMosquitto(t)
	m.Kill()
	b := client(t, m.URL())
	connects := make(chan struct{}, 1)
	b.OnConnect(func() { connects <- struct{}{} })
	began := time.Now()
	if err := b.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("Start took %v", took)
	}
	m.Start()
	receive(t, connects)
}

// Records go to one coordinator of several, and what is said live to all.
func TestCoordinatorsShareRecords(t *testing.T) {
	m := brokertest.StartMosquitto(t)
	coordinators := []Broker{client(t, m.URL()), client(t, m.URL())}
	for _, b := range coordinators {
		started(t, b)
	}
	a := connect(t, m.Addr(), mill, nil)
	const batches = 20
	for range batches {
		if err := done(t, a.Publish(mill.Topic(topic.Records), 1, false, []byte("batch"))); err != nil {
			t.Fatal(err)
		}
	}
	if err := done(t, a.Publish(mill.Topic(topic.Health), 1, false, []byte("well"))); err != nil {
		t.Fatal(err)
	}
	// What comes on different topics may come in any order.
	heard := []map[string]int{{}, {}}
	for heard[0]["well"] == 0 || heard[1]["well"] == 0 || heard[0]["batch"]+heard[1]["batch"] < batches {
		var d Delivery
		select {
		case d = <-coordinators[0].Deliveries():
			heard[0][string(d.Payload)]++
		case d = <-coordinators[1].Deliveries():
			heard[1][string(d.Payload)]++
		case <-time.After(3 * time.Minute):
			t.Fatalf("%v arrived, and %d batches were sent", heard, batches)
		}
		d.Done()
	}
	if heard[0]["batch"] == 0 || heard[1]["batch"] == 0 || heard[0]["batch"]+heard[1]["batch"] != batches {
		t.Errorf("%v arrived, and %d batches were sent", heard, batches)
	}
}
