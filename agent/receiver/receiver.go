// Package receiver brings the reports of a receiver to the coordinator over
// MQTT. It connects, hands over what there is, waits until the broker has each
// file, and ends: whoever runs it again and again decides how often.
//
// Bringing the same reports twice changes nothing at the coordinator, so what
// was not clearly taken is brought again.
package receiver

import (
	"context"
	"errors"
	"fmt"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"lamplighter/agent/enrol"
	"lamplighter/proto/setup"
	"lamplighter/proto/topic"
)

const (
	// MaxFile is the size in bytes of the largest file that is brought.
	MaxFile = 512 << 10

	atLeastOnce = 1
	answerTime  = 15 * time.Second
)

// Bring hands over files of reports in CSV. It returns how many the broker has
// taken, and why not the others.
func Bring(ctx context.Context, config *setup.Receiver, files [][]byte) (taken int, err error) {
	address := topic.Address{Network: config.Network, Beacon: config.Receiver}
	options := mqtt.NewClientOptions()
	options.AddBroker(config.Broker)
	options.SetClientID(address.ClientID())
	options.SetCleanSession(true)
	options.SetAutoReconnect(false)
	options.SetConnectRetry(false)
	options.SetProtocolVersion(4)
	options.SetKeepAlive(30 * time.Second)
	options.SetConnectTimeout(answerTime)
	options.SetWriteTimeout(answerTime)
	if config.Identity != nil {
		secure, err := enrol.At(config.Identity.Folder).TLS()
		if err != nil {
			return 0, fmt.Errorf("the receiver's identity can't be used: %w", err)
		}
		options.SetTLSConfig(secure)
	}
	client := mqtt.NewClient(options)
	if err := await(ctx, client.Connect()); err != nil {
		return 0, fmt.Errorf("the broker at %s does not let this receiver in: %w", config.Broker, err)
	}
	defer client.Disconnect(1000)
	for _, file := range files {
		if err := await(ctx, client.Publish(address.Topic(topic.Receptions), atLeastOnce, false, file)); err != nil {
			return taken, fmt.Errorf("the broker has not taken a file: %w", err)
		}
		taken++
	}
	return taken, nil
}

func await(ctx context.Context, token mqtt.Token) error {
	limit := time.NewTimer(answerTime)
	defer limit.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-limit.C:
		return errors.New("no answer")
	case <-ctx.Done():
		return ctx.Err()
	}
}
