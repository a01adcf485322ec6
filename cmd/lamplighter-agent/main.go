// Command lamplighter-agent runs at a beacon: it obeys the coordinator's orders,
// watches the clock, keys the transmitter through its keyer, and reports.
//
// It says what it does on standard error, and exits with 0 when it was asked to
// end, 1 when something failed, and 2 when it was called wrongly.
package main

import (
	"fmt"
	"io"
	"os"
	"runtime/debug"

	"github.com/alecthomas/kong"
)

type commands struct {
	Run        runCommand        `cmd:"" help:"Run the agent until it is told to end (SIGTERM or Ctrl-C)."`
	Enrol      enrolCommand      `cmd:"" help:"Make this device known to a coordinator, with a token from lamplighter enrol."`
	Receptions receptionsCommand `cmd:"" help:"Bring the reports of a receiver of the club's own."`
	Check      checkCommand      `cmd:"" help:"Say in sentences what a configuration file tells the agent to do."`
	Doctor     doctorCommand     `cmd:"" help:"Look at everything that the beacon needs, and say what is wrong and what to do."`
	Exposure   exposureCommand   `cmd:"" help:"Compute how far people have to stay from the antenna."`
	Version    versionCommand    `cmd:"" help:"Print the program's version."`
	Keyer      keyerCommands     `cmd:"" help:"Silence the transmitter, re-arm it after a trip, say that an operator is present."`
	Rehearse   rehearseCommand   `cmd:"" help:"Send one transmission into nothing, and show its tones and how punctual they were."`
}

// The exit codes.
const (
	done   = 0
	failed = 1
	misuse = 2
)

// streams are the program's surroundings.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

func main() {
	// The runtime would let a heap of one megabyte grow to four before it looks
	// what of it is in use. On a small computer memory is scarcer than that work.
	debug.SetGCPercent(25)
	os.Exit(program(os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr}))
}

// asked is what help ends the parsing with.
type asked struct{ code int }

func program(args []string, s streams) (code int) {
	defer func() {
		if r := recover(); r != nil {
			help, ok := r.(asked)
			if !ok {
				panic(r)
			}
			code = help.code
		}
	}()
	parser, err := kong.New(&commands{},
		kong.Name("lamplighter-agent"),
		kong.Description("The agent at a beacon: obeys the coordinator's orders, watches the clock, keys the transmitter, and reports."),
		kong.Writers(s.out, s.err),
		kong.Exit(func(code int) { panic(asked{code}) }),
		kong.Bind(s),
	)
	if err != nil {
		panic(err) // the commands above are wrong
	}
	parsed, err := parser.Parse(args)
	if err != nil {
		say(s, "%v\nSay lamplighter-agent --help to see what there is.", err)
		return misuse
	}
	if err := parsed.Run(); err != nil {
		say(s, "%v", err)
		return failed
	}
	return done
}

func say(s streams, format string, args ...any) {
	_, _ = fmt.Fprintf(s.err, "lamplighter-agent: "+format+"\n", args...) // there is nowhere else to say it
}
