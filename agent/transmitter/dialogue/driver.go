package dialogue

import (
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"time"
)

const (
	beatEvery = 100 * time.Millisecond
	helloTime = 3 * time.Second // a board may restart when its port is opened
	helloTry  = 250 * time.Millisecond
	highestHz = 300e9
)

// Driver is a transmitter at the far end of a connection.
type Driver struct {
	name    string
	connect func() (io.ReadWriteCloser, error)

	mu         sync.Mutex
	within     time.Duration // for an answer
	with       *conversation // nil while there is none
	connecting bool
	closed     bool
	why        error // why there is none
	keyed      bool
	beating    chan struct{} // closed to end the beat
	beats      *beats
}

// beats holds what went wrong with the beats of one transmission.
type beats struct {
	mu  sync.Mutex
	err error
}

// Open connects, and waits until the far end has said that the carrier is off.
// The name is for errors.
func Open(name string, connect func() (io.ReadWriteCloser, error)) (*Driver, error) {
	d := &Driver{name: name, connect: connect, within: answerTime}
	with, err := d.greet()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	d.with = with
	return d, nil
}

// AllowAnswers changes how long an answer may take, which is 30 ms: for tests of
// real processes on a machine that is busy with others.
func (d *Driver) AllowAnswers(within time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.within = within
}

// greet makes a connection on which the far end has said that it is off.
func (d *Driver) greet() (*conversation, error) {
	over, err := d.connect()
	if err != nil {
		return nil, err
	}
	c := converse(over)
	for began := time.Now(); ; {
		a, err := c.ask(fmt.Sprintf("hello %d", Version), helloTry)
		switch {
		case err == nil && a.State == Off:
			return c, nil
		case err == nil:
			err = fmt.Errorf("it answers %q to hello, and it should answer off", a.State+State(" "+a.Text))
		case errors.Is(err, errNoAnswer) && time.Since(began) < helloTime:
			continue
		}
		c.close()
		<-c.closed
		return nil, err
	}
}

// line gives the conversation, or says why there is none and sees to a new one.
func (d *Driver) line() (*conversation, error) {
	if d.with != nil && d.with.broken() {
		d.drop(d.with.err)
	}
	if d.with == nil {
		return nil, fmt.Errorf("there is no connection: %w", d.why)
	}
	return d.with, nil
}

// drop ends the conversation and begins to make a new one.
func (d *Driver) drop(why error) {
	old := d.with
	old.close()
	d.with, d.why = nil, why
	if !d.connecting && !d.closed {
		d.connecting = true
		go d.reconnect(old)
	}
}

// reconnect tries until it has a conversation or the driver is closed. Two
// connections at once would disturb each other.
func (d *Driver) reconnect(old *conversation) {
	<-old.closed
	for {
		c, err := d.greet()
		if d.take(c, err) {
			return
		}
		timer := time.NewTimer(time.Second)
		<-timer.C
	}
}

// take says whether there is nothing more to be tried.
func (d *Driver) take(c *conversation, err error) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.closed:
		if c != nil {
			c.close()
		}
	case err != nil:
		d.why = err
		return false
	default:
		d.with = c
	}
	d.connecting = false
	return true
}

// demand asks for something and for the state that it should lead to.
func (d *Driver) demand(words string, want State) error {
	c, err := d.line()
	if err != nil {
		return err
	}
	a, err := c.ask(words, d.within)
	if err != nil {
		return err
	}
	return expect(a, want)
}

func expect(a Answer, want State) error {
	switch a.State {
	case want:
		return nil
	case Failed:
		return errors.New(a.Text)
	}
	return fmt.Errorf("the carrier is %s, and it should be %s", a.State, want)
}

// Key puts the carrier on the air.
func (d *Driver) Key(hz float64, drivePercent int) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.keyed {
		return fmt.Errorf("%s: keyed already", d.name)
	}
	if drivePercent < 1 || drivePercent > 100 {
		return fmt.Errorf("%s: drive of %d percent, and it must lie between 1 and 100", d.name, drivePercent)
	}
	millihertz, err := whole(hz)
	if err == nil {
		err = d.demand(fmt.Sprintf("key %d %d", millihertz, drivePercent), On)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", d.name, err)
	}
	d.keyed = true
	d.beat()
	return nil
}

func whole(hz float64) (int64, error) {
	if !(hz >= 0.001 && hz <= highestHz) {
		return 0, fmt.Errorf("%v Hz is no frequency", hz)
	}
	return int64(math.Round(hz * 1000)), nil
}

// Tone moves the carrier to another frequency in hertz.
func (d *Driver) Tone(hz float64) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.keyed {
		return fmt.Errorf("%s: a tone while the key is up", d.name)
	}
	millihertz, err := whole(hz)
	if err == nil {
		err = d.beats.wrong()
	}
	if err == nil {
		err = d.demand(fmt.Sprintf("tone %d", millihertz), On)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", d.name, err)
	}
	return nil
}

// Unkey takes the carrier off the air.
func (d *Driver) Unkey() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.up()
}

func (d *Driver) up() error {
	if d.beating != nil {
		close(d.beating)
		d.beating = nil
	}
	if err := d.demand("off", Off); err != nil {
		if d.with != nil {
			d.drop(err)
		}
		return fmt.Errorf("%s: %w", d.name, err)
	}
	d.keyed = false
	return nil
}

// Close unkeys and ends the connection.
func (d *Driver) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed = true
	err := d.up()
	if d.with != nil {
		d.with.close()
		await(d.with.closed)
		d.with, d.why = nil, errors.New("it was closed")
	}
	return err
}

// await waits a moment for what should be quick.
func await(done <-chan struct{}) {
	timer := time.NewTimer(5 * time.Millisecond)
	defer timer.Stop()
	select {
	case <-done:
	case <-timer.C:
	}
}

// beat keeps the far end from keying up by itself, until beating is closed.
func (d *Driver) beat() {
	d.beating, d.beats = make(chan struct{}), &beats{}
	go d.beats.run(d.with, d.within, d.beating)
}

func (b *beats) run(c *conversation, within time.Duration, end <-chan struct{}) {
	ticker := time.NewTicker(beatEvery)
	defer ticker.Stop()
	for b.wrong() == nil {
		select {
		case <-end:
			return
		case <-ticker.C:
			a, err := c.ask("beat", within)
			if err == nil {
				err = expect(a, On)
			}
			b.fail(err)
		}
	}
}

func (b *beats) fail(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.err = err
}

func (b *beats) wrong() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.err
}
