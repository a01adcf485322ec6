// Lamplighter is the operator's program: the coordinator, the commands that
// speak with it, the planner and its checker for files, and a demonstration.
//
// Results go to standard output, messages to standard error. The exit code is
// 0 when it is done, 1 when it failed, 2 when the command was written wrongly.
// Each command is one file here; each is a function of its flags and an
// environment, so that tests run the same code as the shell does.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"lamplighter/coordinator/fault"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// commands is all that the program can do.
type commands struct {
	Demo        demoCmd        `cmd:"" help:"Show a whole invented network at work."`
	Serve       serveCmd       `cmd:"" help:"Run the coordinator."`
	Plan        planCmd        `cmd:"" help:"Work out who transmits when, from a fleet file."`
	Check       checkCmd       `cmd:"" help:"Check a plan against the rules that no plan may break."`
	Fairness    fairnessCmd    `cmd:"" help:"Say how evenly a plan treats the beacons."`
	Capacity    capacityCmd    `cmd:"" help:"Say how full each site, each piece of shared equipment and each band is."`
	Simulate    simulateCmd    `cmd:"" help:"Try a fleet file on simulated time, with whatever may go wrong."`
	Tones       tonesCmd       `cmd:"" help:"Print the 162 symbols that a message is sent as."`
	Fleet       fleetCmd       `cmd:"" help:"Show or change the fleet file that the coordinator works from."`
	Fit         fitCmd         `cmd:"" help:"Say which plug-in filter is in place at a beacon."`
	Status      statusCmd      `cmd:"" help:"Say how each beacon is."`
	Report      reportCmd      `cmd:"" help:"Say what happened in a week or another time."`
	Who         whoCmd         `cmd:"" help:"Say which beacons were on the air near a time and frequency."`
	Heard       heardCmd       `cmd:"" help:"Take in and look at what receivers report of our transmissions."`
	Alerts      alertsCmd      `cmd:"" help:"Say what is wrong, and who looks after it."`
	Hush        hushCmd        `cmd:"" help:"Stop transmitting, now."`
	Release     releaseCmd     `cmd:"" help:"End a hush."`
	AgentConfig agentConfigCmd `cmd:"" name:"agent-config" help:"Write the configuration file of a beacon's agent."`
	Enrol       enrolCmd       `cmd:"" help:"Let one device be enrolled as a beacon."`
	Devices     devicesCmd     `cmd:"" help:"List the devices that are enrolled, or what happened to them."`
	Revoke      revokeCmd      `cmd:"" help:"Turn a beacon's device out, for ever."`
	Readmit     readmitCmd     `cmd:"" help:"Let a device renew a certificate that is over."`
	Login       loginCmd       `cmd:"" help:"Say who you are."`
	People      peopleCmd      `cmd:"" help:"Look after accounts."`
	Token       tokenCmd       `cmd:"" help:"Look after tokens for scripts."`
	Duty        dutyCmd        `cmd:"" help:"Say who is in control of a site, or take control."`
	Audit       auditCmd       `cmd:"" help:"Look at who did what."`
	Backup      backupCmd      `cmd:"" help:"Save what a network can't do without."`
	Restore     restoreCmd     `cmd:"" help:"Bring a backup back on an empty machine."`
	Version     versionCmd     `cmd:"" help:"Say which version this is."`
	Completion  completionCmd  `cmd:"" help:"Print a script that completes words in your shell."`
}

// environment is what a command is given beside its flags.
type environment struct {
	context.Context
	stdout, stderr io.Writer
	model          *kong.Application
}

// note writes a message for the person at the keyboard.
func (e *environment) note(format string, args ...any) {
	fmt.Fprintf(e.stderr, format+"\n", args...) //nolint:errcheck // there is nobody left to tell
}

const description = "Looks after the beacons that a club or a group of schools keeps on the air."

// run is the program: arguments in, exit code out.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	asked := false // for help, which has been printed
	parser, err := kong.New(&commands{}, kong.Name("lamplighter"), kong.Description(description),
		kong.Writers(stdout, stderr), kong.Exit(func(int) { asked = true }),
		kong.ConfigureHelp(kong.HelpOptions{NoExpandSubcommands: true, WrapUpperBound: 90}))
	if err != nil {
		panic(err) // the structs above are wrong, whatever the arguments
	}
	env := &environment{Context: ctx, stdout: stdout, stderr: stderr, model: parser.Model}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	parsed, err := parser.Parse(args)
	if asked {
		return 0
	}
	if err != nil {
		env.note("lamplighter: %v\nlamplighter --help lists the commands, lamplighter COMMAND --help explains one.", err)
		return 2
	}
	return env.finish(parsed.Run(env))
}

// finish tells how a command ended and returns the exit code for it.
func (e *environment) finish(err error) int {
	if err != nil && !errors.Is(err, errTold) {
		e.note("lamplighter: %v", err)
	}
	return fault.ExitCode(err)
}

// errTold is the end of a command that failed and has said why.
var errTold = errors.New("told already")
