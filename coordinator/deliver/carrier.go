package deliver

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"github.com/nicholas-fedor/shoutrrr"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fleet"
	"lamplighter/proto/topic"
)

// carrier knows the way to each recipient.
type carrier struct {
	settings  Settings
	publisher broker.Publisher
	http      *http.Client
	within    time.Duration // for one mail
}

// carry makes one attempt at bringing a message to a recipient.
func (c *carrier) carry(ctx context.Context, to *fleet.Recipient, m Parcel) Outcome {
	switch {
	case to.Mail != "":
		if c.settings.Mail == nil {
			return outcome(Later, "no mail server is named in %s", File)
		}
		return post{settings: *c.settings.Mail, within: c.within}.send(ctx, to.Mail, m)
	case to.Webhook != "":
		hook, known := c.settings.Webhooks[to.Webhook]
		if !known {
			return outcome(Later, "no webhook %s stands in %s", to.Webhook, File)
		}
		return hand(ctx, c.http, hook, m)
	case to.Service != "":
		address, known := c.settings.Services[to.Service]
		if !known {
			return outcome(Later, "no service %s stands in %s", to.Service, File)
		}
		return shout(ctx, address, m)
	}
	return c.publish(ctx, m)
}

func (c *carrier) publish(ctx context.Context, m Parcel) Outcome {
	body, err := json.Marshal(m)
	if err != nil {
		return outcome(Refused, "%v", err)
	}
	if err := c.publisher.Publish(ctx, broker.Message{Topic: topic.Alerts(m.Network), Payload: body}); err != nil {
		return outcome(Unclear, "the broker did not say whether it has it: %v", err)
	}
	return outcome(Accepted, "the broker has it")
}

// shout tells a chat or push service. The library says that something went
// wrong and not whether the message is there all the same; its text may repeat
// secrets of the address.
func shout(ctx context.Context, address string, m Parcel) Outcome {
	sender, err := shoutrrr.CreateSender(address)
	if err != nil {
		return outcome(Later, "the service's address can't be used")
	}
	done := make(chan bool, 1)
	go func() {
		well := true
		for _, err := range sender.Send(m.Subject+"\n\n"+m.Text, &types.Params{}) {
			well = well && err == nil
		}
		done <- well
	}()
	select {
	case <-ctx.Done():
		return outcome(Unclear, "the service did not answer in time")
	case well := <-done:
		if !well {
			return outcome(Unclear, "the service reported a failure")
		}
		return outcome(Accepted, "the service has accepted it")
	}
}
