package deliver

import (
	"context"
	"time"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/fleet"
)

// Straight brings a message to its recipient past the database, for word of the
// database itself. It tries until the other side has it or clearly never will,
// for a day at most; what is under way when ctx ends is lost.
func (q *Queue) Straight(ctx context.Context, f *fleet.Fleet, m alert.Message) {
	made := time.Now()
	p := Parcel{
		Network: f.Network.ID, Event: string(m.What), Recipient: m.Recipient, Subject: m.Subject, Text: m.Text, MadeAt: made,
		// Numbers that the database will never come to, so that both are told apart.
		Message: made.UnixMicro(), Alert: m.Alert.Since.UnixMicro(),
	}
	for i := range f.Alerts.Recipients {
		if to := &f.Alerts.Recipients[i]; to.Name == m.Recipient {
			q.straight(ctx, to, p)
		}
	}
}

func (q *Queue) straight(ctx context.Context, to *fleet.Recipient, p Parcel) {
	for attempts := 1; ; attempts++ {
		trying, cancel := context.WithTimeout(ctx, attemptTakes)
		said := q.carrier.carry(trying, to, p)
		cancel()
		log := q.options.Log.With("subject", p.Subject, "recipient", to.Name, "answer", said.Said)
		switch {
		case said.Answer == Accepted:
			return
		case said.Answer == Refused, time.Since(p.MadeAt) >= giveUpAfter:
			log.Error("a message could not be delivered")
			return
		}
		log.Warn("a message is not delivered yet")
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait(attempts)):
		}
	}
}
