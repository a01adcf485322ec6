package keyer

import (
	"cmp"
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	"lamplighter/proto/planted"
)

// operator is what the keyer knows of the person at the beacon.
type operator struct {
	until    time.Duration // when presence must be confirmed again
	switched bool          // the switch was on when it was last read
	read     bool          // the inputs were read before
	readAt   time.Duration // when
	open     Reason        // the interlock that was open then
	rearming *rearming     // a re-arm that is looked into or written
}

// rearming is a trip that an operator clears. It outlives the process.
type rearming struct {
	By      string `json:"by"`
	Why     string `json:"why"`
	Tripped Reason `json:"tripped"`
	UnixS   int64  `json:"unix_s"`
}

// sense takes what the inputs say. A switch that is turned on is an operator's
// word; one that was on at power-on is none.
func (c *Core) sense(s Sensed) {
	o := &c.operator
	if s.OperatorSwitch && o.read && !o.switched {
		o.until = c.now.Boot + presenceLasts
	}
	o.read, o.readAt, o.open, o.switched = true, c.now.Boot, s.Open, s.OperatorSwitch
}

// interlocked refuses everything while an interlock is open, or nobody knows.
func (c *Core) interlocked(*job) *refusal {
	switch {
	case !c.config.Interlocks:
		return nil
	case !c.inputsRead():
		return refuse(InputsUnread, "")
	case c.operator.open != "":
		return refuse(c.operator.open, "")
	}
	return nil
}

func (c *Core) inputsRead() bool {
	return c.operator.read && c.now.Boot-c.operator.readAt < inputsLimit
}

// present says whether an operator is: confirmed lately, and with the switch
// on, if there is one.
func (c *Core) present() bool {
	if c.config.OperatorSwitch && !(c.inputsRead() && c.operator.switched) {
		return false
	}
	return c.now.Boot < c.operator.until || planted.Is("S2 local without an operator")
}

// attend takes an operator's word on being present.
func (c *Core) attend(p Presence) {
	switch {
	case !goodWords(p.By, maxName):
		c.answerOperator(refuse(OutOfBounds, "a name has 1 to %d letters", maxName))
	case p.For < 0 || p.For > presenceLasts:
		c.answerOperator(refuse(OutOfBounds, "presence is confirmed for %v at most", presenceLasts))
	case p.For > 0 && c.config.OperatorSwitch && !c.operator.switched:
		c.answerOperator(refuse(OperatorAbsent, "turn the operator's switch on"))
	default:
		did := "present"
		if p.For == 0 {
			did = "absent"
		}
		c.operator.until = c.now.Boot + p.For
		c.tellAct(&keyerv1.OperatorAct{By: p.By, Did: did, Seconds: uint32(p.For / time.Second)})
		c.answerOperator(nil)
	}
}

// rearm begins to clear a trip: the shell is to look whether its cause is gone.
func (c *Core) rearm(r Rearm) {
	tripped := c.trippedOn()
	switch {
	case !goodWords(r.By, maxName) || !goodWords(r.Why, maxWhy):
		c.answerOperator(refuse(OutOfBounds, "a name has 1 to %d letters, and a reason 1 to %d", maxName, maxWhy))
	case tripped == "":
		c.answerOperator(refuse(NotTripped, ""))
	case c.operator.rearming != nil:
		c.answerOperator(refuse(Busy, "another re-arm is under way"))
	default:
		c.operator.rearming = &rearming{By: r.By, Why: r.Why, Tripped: tripped, UnixS: c.now.Wall.Unix()}
		c.do(Examine{})
	}
}

// examined goes on with a re-arm, if nothing speaks against it. It counts when
// it is on disk.
func (c *Core) examined(err error) {
	r := c.operator.rearming
	switch {
	case r == nil:
		panic("an examination that nobody asked for")
	case err != nil:
		c.refuseRearm(refuse(CausePersists, "%v", err))
	case c.key.stuck || c.key.keyingUp:
		c.refuseRearm(refuse(CausePersists, "nobody knows whether the key is up"))
	default:
		c.wanted.tripped, c.wanted.rearmed, c.storeAt = "", r, c.now.Boot // written at once
	}
}

func (c *Core) refuseRearm(no *refusal) {
	c.operator.rearming = nil
	c.answerOperator(no)
}

// rearmStored ends a re-arm that waited for the disk. What could not be written
// is none: the trip stands.
func (c *Core) rearmStored(err error) {
	r := c.operator.rearming
	switch {
	case r == nil || r != c.wanted.rearmed:
	case err != nil:
		c.wanted.tripped = cmp.Or(c.wanted.tripped, r.Tripped)
		c.wanted.rearmed = c.onDisk.rearmed
		c.refuseRearm(refuse(NotOnDisk, "%v", err))
	case r == c.written.rearmed:
		c.operator.rearming = nil
		c.tellAct(&keyerv1.OperatorAct{By: r.By, Did: "rearmed", Reason: r.Why, Tripped: string(r.Tripped)})
		c.answerOperator(nil)
	}
}

func (c *Core) trippedOn() Reason { return cmp.Or(c.wanted.tripped, c.onDisk.tripped) }

func (c *Core) tellAct(a *keyerv1.OperatorAct) {
	c.reply(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_OperatorAct{OperatorAct: a}})
}

func (c *Core) answerOperator(no *refusal) {
	a := &keyerv1.OperatorAnswer{}
	if no != nil {
		a.Refusal, a.Sentence = string(no.reason), no.sentence
	}
	c.do(Answer{a})
}

// goodWords bounds what a person says.
func goodWords(s string, longest int) bool {
	for _, letter := range s {
		if letter < ' ' || letter == 0x7f || letter == '\uFFFD' {
			return false
		}
	}
	return s != "" && len(s) <= longest
}
