package broker

import (
	"net"
	"testing"
	"testing/synctest"
	"time"
)

// deadlines takes down what is set.
type deadlines struct {
	net.Conn
	reads, writes []time.Time
}

func (d *deadlines) SetReadDeadline(t time.Time) error  { d.reads = append(d.reads, t); return nil }
func (d *deadlines) SetWriteDeadline(t time.Time) error { d.writes = append(d.writes, t); return nil }
func (d *deadlines) Write(b []byte) (int, error)        { return len(b), nil }

// Whenever something is read or written, the deadline in force is the one asked
// for, or a little sooner; and what comes together sets it once.
func TestDeadlinesAreSetAnewWhenTheyDiffer(t *testing.T) {
	const keeps = 45 * time.Second
	synctest.Test(t, func(t *testing.T) {
		var d deadlines
		c := &impatientConn{Conn: &d}
		for _, pause := range []time.Duration{0, 0, time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second, 30 * time.Second, 0, time.Hour} {
			<-time.After(pause)
			now := time.Now()
			if err := c.SetDeadline(now.Add(keeps)); err != nil {
				t.Fatal(err)
			}
			if _, err := c.Write([]byte("x")); err != nil {
				t.Fatal(err)
			}
			if in := d.reads[len(d.reads)-1].Sub(now); in > keeps || in < keeps*15/16 {
				t.Errorf("after %s reading ends in %s", pause, in)
			}
			if in := d.writes[len(d.writes)-1].Sub(now); in > patience || in < patience/2 {
				t.Errorf("after %s writing ends in %s", pause, in)
			}
		}
		if len(d.reads) != 5 || len(d.writes) != 4 {
			t.Errorf("%d deadlines of reading and %d of writing were set, of 9 each", len(d.reads), len(d.writes))
		}
		if err := c.SetDeadline(time.Now().Add(time.Second)); err != nil || time.Until(d.reads[len(d.reads)-1]) != time.Second {
			t.Errorf("a sooner one is not set: %v", err)
		}
		if err := c.SetDeadline(time.Time{}); err != nil || !d.reads[len(d.reads)-1].IsZero() {
			t.Errorf("it can't be taken away: %v", err)
		}
		if err := c.SetDeadline(time.Now().Add(keeps)); err != nil || time.Until(d.reads[len(d.reads)-1]) != keeps {
			t.Errorf("nor be set again: %v", err)
		}
	})
}
