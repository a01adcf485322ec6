package sim

import (
	"time"

	"lamplighter/agent/core"
)

// perform is the agent's shell.
func (d *device) perform(actions []core.Action) {
	for _, action := range actions {
		switch a := action.(type) {
		case core.Publish:
			d.link.up(a)
		case core.ToKeyer:
			d.tell(a.Message)
		case core.Commit:
			d.write(a)
		case core.Fetch:
			d.later(time.Millisecond, func() core.Event { return d.outbox.fetch(a) })
		case core.Delete:
			d.later(d.diskTime(), func() core.Event {
				d.outbox.delete(a.Ranges)
				return core.Deleted{Room: d.outbox.room()}
			})
		}
	}
}

// later answers the agent's run of now after a while.
func (d *device) later(wait time.Duration, answer func() core.Event) {
	run := d.agentRun
	d.world.after(wait, func() {
		if d.agentRun == run && d.agent != nil {
			d.agentStep(answer())
		}
	})
}

func (d *device) diskTime() time.Duration {
	return time.Duration(2+d.chance.IntN(20))*time.Millisecond + time.Duration(d.chance.Int64N(int64(d.diskSlow)+1))
}

// write commits. Where power or process ends before it is done, it is on the
// disk or not.
func (d *device) write(c core.Commit) {
	run, lands := d.agentRun, d.chance.IntN(2) == 0
	d.world.after(d.diskTime(), func() {
		switch {
		case d.agentRun != run:
			if lands && d.outbox.run == d.runOf(run) {
				d.outbox.commit(c)
				d.world.reach("a kill during a commit that landed")
			}
		case d.diskFull:
			d.world.reach("disk full")
			d.agentStep(core.CommitFailed{ID: c.ID, Sentence: "no space left"})
		default:
			d.outbox.commit(c)
			d.agentStep(core.Committed{ID: c.ID, Room: d.outbox.room()})
		}
	})
}

// runOf is the id of the run that began when agentRun was run; nothing has begun
// since where it still is the outbox's.
func (d *device) runOf(run uint64) string {
	if d.agentRun == run+1 { // ended, and no other has started
		return d.outbox.run
	}
	return ""
}
