package demo

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"golang.org/x/sync/errgroup"

	agentapp "lamplighter/agent/app"
	"lamplighter/agent/keyer/process"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/setup"
)

// healthSeconds is how often the agents of the demo say how they are.
const healthSeconds = 10

// startAtOnce is how many agents start at the same time: they wait for the disk.
const startAtOnce = 8

// agents are the agents of all beacons.
type agents struct {
	folder, version string
	log             *slog.Logger
	sites           []string // of the beacons, sorted

	mu      sync.Mutex
	running []*agentapp.App
}

// start takes a configuration for each beacon from the coordinator and starts
// an agent with it.
func (a *agents) start(ctx context.Context, beacons apiv1.BeaconServiceClient) error {
	answer, err := beacons.ListBeacons(ctx, &apiv1.ListBeaconsRequest{})
	if err != nil {
		return err
	}
	starting, ctx := errgroup.WithContext(ctx)
	starting.SetLimit(startAtOnce)
	for _, b := range answer.GetBeacons() {
		a.sites = append(a.sites, b.GetSite())
		starting.Go(func() error {
			config, err := beacons.GetAgentConfig(ctx, &apiv1.GetAgentConfigRequest{Beacon: b.GetBeacon()})
			if err != nil {
				return err
			}
			return a.startOne(b.GetBeacon(), []byte(config.GetYaml()))
		})
	}
	slices.Sort(a.sites)
	return starting.Wait()
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
	a.mu.Lock()
	defer a.mu.Unlock()
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
