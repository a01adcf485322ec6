package app

import (
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/store"
	"lamplighter/proto/setup"
)

// AgentConfig makes the configuration of a beacon's agent: with the clock and
// transmitter that are simulated, until a person writes in what stands there.
func (a *App) AgentConfig(f *fleet.Fleet, version store.FleetVersion, beacon *fleet.Beacon) (*setup.File, error) {
	broker, err := a.agentsBroker()
	if err != nil {
		return nil, err
	}
	// The envelope counts from when the fleet file that it is made from was put
	// in force, so that asking twice gives the same file.
	envelope, err := orders.BuildEnvelope(a.signer, f, beacon.Name, version.Version, version.AppliedAt)
	if err != nil {
		return nil, err
	}
	file := &setup.File{
		Network: f.Network.ID, Site: beacon.Site.Name, Beacon: beacon.Name, Broker: broker,
		Folder:      "lamplighter-" + beacon.Name,
		Clock:       setup.Clock{Source: "simulated", BoundMS: 1, Satellites: 8},
		Transmitter: setup.Transmitter{Driver: "simulated", UncertaintyPPB: beacon.Uncertainty.Float64() * 1000},
		CoordinatorKey: setup.CoordinatorKey{
			ID: a.signer.Public().ID(), Public: a.signer.Public().String(),
		},
	}
	file.SetEnvelope(envelope)
	return file, nil
}

// receiverConfig makes the configuration of a receiver's device.
func (a *App) receiverConfig(f *fleet.Fleet, receiver *fleet.Receiver) (string, error) {
	broker, err := a.agentsBroker()
	if err != nil {
		return "", err
	}
	text, err := (&setup.Receiver{Network: f.Network.ID, Receiver: receiver.Name, Callsign: receiver.Callsign, Broker: broker}).Encode()
	return string(text), err
}

// agentsBroker is where devices reach the broker.
func (a *App) agentsBroker() (string, error) {
	switch listening := a.Addr().MQTT; {
	case a.options.Secure.AgentsBroker != "":
		return a.options.Secure.AgentsBroker, nil
	case a.options.Broker != "":
		return a.options.Broker, nil
	case listening == "":
		return "", fault.New(fault.Unavailable, "", "the broker is starting; try again in a moment")
	case a.options.Secure.On:
		return "ssl://" + a.reachable(listening), nil
	default:
		return "tcp://" + listening, nil
	}
}
