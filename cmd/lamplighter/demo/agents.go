package demo

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"

	agentapp "lamplighter/agent/app"
	"lamplighter/agent/keyer/process"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/setup"
)

// healthSeconds is how often the agents of the demo say how they are.
const healthSeconds = 10

// agents are the agents of all beacons.
type agents struct {
	folder, version string
	log             *slog.Logger
	running         []*agentapp.App
	sites           []string // of the beacons, sorted
}

// start takes a configuration for each beacon from the coordinator and starts
// an agent with it.
func (a *agents) start(ctx context.Context, beacons apiv1.BeaconServiceClient) error {
	answer, err := beacons.ListBeacons(ctx, &apiv1.ListBeaconsRequest{})
	if err != nil {
		return err
	}
	for _, b := range answer.GetBeacons() {
		config, err := beacons.GetAgentConfig(ctx, &apiv1.GetAgentConfigRequest{Beacon: b.GetBeacon()})
		if err != nil {
			return err
		}
		if err := a.startOne(b.GetBeacon(), []byte(config.GetYaml())); err != nil {
			return err
		}
		a.sites = append(a.sites, b.GetSite())
	}
	slices.Sort(a.sites)
	return nil
}

func (a *agents) startOne(beacon string, config []byte) error {
	file, err := setup.Decode(beacon+".yaml", config)
	if err != nil {
		return err
	}
	file.Folder = filepath.Join(a.folder, beacon)
	file.HealthSeconds = healthSeconds
	file.Transmitter.Log = filepath.Join(file.Folder, "tones.log")
	if err := os.MkdirAll(file.Folder, 0o700); err != nil {
		return err
	}
	agent, err := agentapp.New(agentapp.Options{
		File: file, Version: a.version, Log: a.log.With("part", "agent"),
		StartKeyer: func(ctx context.Context) (agentapp.Keyer, error) {
			options, err := process.FromSetup(file)
			if err != nil {
				return nil, err
			}
			return process.InMemory(ctx, options), nil
		},
	})
	if err != nil {
		return err
	}
	if err := agent.Start(); err != nil {
		return err
	}
	a.running = append(a.running, agent)
	return nil
}

// stop ends all agents at once.
func (a *agents) stop() {
	var ending sync.WaitGroup
	for _, agent := range a.running {
		ending.Go(agent.Stop)
	}
	ending.Wait()
}
