package main

import (
	"time"

	"lamplighter/cmd/lamplighter/demo"
	"lamplighter/coordinator/fault"
)

// demoCmd shows an invented network at work.
type demoCmd struct {
	Dir    string        `placeholder:"DIR" help:"Keep everything in this folder, and go on from there next time; without it a folder is made and removed at the end."`
	HTTP   string        `name:"http" placeholder:"ADDR" default:"127.0.0.1:0" help:"Where the console is; any free port without it."`
	For    time.Duration `placeholder:"DURATION" help:"End by itself this long after the coordinator is up, such as 90s or 10m; without it, by Ctrl-C."`
	Agents int           `placeholder:"N" help:"Invent so many beacons instead of the nine of the demonstration's own network."`
}

// Help is shown by --help.
func (demoCmd) Help() string {
	return `Nothing needs to be set up, no radio is involved, and nothing is left behind. A coordinator with its own database and broker, and an agent for each beacon, run on this computer and speak with each other as they would over the Internet; only clocks and transmitters are simulated. Slots last 30 seconds instead of two minutes, so that there is something to see.

The demo says where it listens and how to look closer from another window.

Examples:

    lamplighter demo
    lamplighter demo --for 2m --agents 30`
}

// mostAgents is how many agents one computer is asked to run.
const mostAgents = 500

// Run shows it until the context ends, or the time is over.
func (c *demoCmd) Run(e *environment) error {
	if c.Agents < 0 || c.Agents > mostAgents {
		return fault.New(fault.Usage, "--agents", "%d, and it must lie between 1 and %d", c.Agents, mostAgents)
	}
	if c.For < 0 {
		return fault.New(fault.Usage, "--for", "%v, and time runs forward", c.For)
	}
	return demo.Run(e, demo.Options{
		Dir: c.Dir, HTTP: c.HTTP, For: c.For, Beacons: c.Agents,
		Version: programVersion(), Out: e.stdout, Lines: terminalLines(e.stdout),
	})
}
