package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lamplighter/agent/app/apptest"
	"lamplighter/proto/setup"
)

// asProgram makes the test binary be the program itself.
const asProgram = "LAMPLIGHTER_AGENT_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	os.Exit(m.Run())
}

// call calls the program.
func call(args ...string) (code int, out, err string) {
	var stdout, stderr bytes.Buffer
	code = program(args, streams{strings.NewReader(""), &stdout, &stderr})
	return code, stdout.String(), stderr.String()
}

// written writes a configuration to a file.
func written(t *testing.T, file *setup.File) string {
	t.Helper()
	text, err := file.Encode()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "agent.yaml")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestWords(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "missing.yaml")
	wrong := filepath.Join(t.TempDir(), "wrong.yaml")
	if err := os.WriteFile(wrong, []byte("network: tern-valley\nsight: mill\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name     string
		args     []string
		code     int
		out, err string // what is said there, among other things
	}{
		{"help", []string{"--help"}, 0, "Run the agent until", ""},
		{"version", []string{"version"}, 0, "lamplighter-agent ", ""},
		{"no word", nil, 2, "", "expected one of"},
		{"a wrong word", []string{"rum"}, 2, "", `did you mean "run"`},
		{"a word too many", []string{"version", "please"}, 2, "", "please"},
		{"a wrong flag", []string{"run", "--confg", "x"}, 2, "", `did you mean "--config"`},
		{"no file named", []string{"run"}, 2, "", "--config"},
		{"a file that is not there", []string{"run", "--config", missing}, 1, "", "can't be read"},
		{"a file with a wrong key", []string{"check", "--config", wrong}, 1, "", "sight"},
		{"a keyer without a configuration", []string{"keyer", "run", "--config", missing}, 1, "", "can't be read"},
		{"silence without a configuration", []string{"keyer", "off", "--config", missing}, 1, "", "cut its power"},
		{"a re-arm without a name", []string{"keyer", "rearm", "--config", missing, "--reason", "looked"}, 2, "", "--by"},
		{"a re-arm without a reason", []string{"keyer", "rearm", "--config", missing, "--by", "warden"}, 2, "", "--reason"},
	} {
		t.Run(test.name, func(t *testing.T) {
			code, out, err := call(test.args...)
			if code != test.code || !strings.Contains(out, test.out) || !strings.Contains(err, test.err) {
				t.Errorf("exit %d, want %d\nsaid:\n%s\nand on standard error:\n%s", code, test.code, out, err)
			}
			if code != done && out != "" {
				t.Errorf("a failure says on standard output: %s", out)
			}
		})
	}
}

func TestCheckSaysWhatAConfigurationMeans(t *testing.T) {
	s := apptest.New(t)
	code, out, err := call("check", "--config", written(t, s.File))
	if code != done {
		t.Fatalf("exit %d: %s", code, err)
	}
	for _, want := range []string{
		"This is beacon mill-hf at site mill of network tern-valley.",
		s.File.Broker, s.File.Folder, s.File.CoordinatorKey.ID,
		"call sign Q1ABC at JO65",
		"40m, remote control, at most 37 dBm, 7000000 to 7200000 Hz at 37 dBm",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("it does not say %q, but:\n%s", want, out)
		}
	}
}

func TestCheckSaysWhatIsWrong(t *testing.T) {
	for _, test := range []struct {
		name  string
		spoil func(*setup.File)
		want  string
	}{
		{"an envelope for another beacon", func(f *setup.File) { f.Beacon = "other" }, "take the file from the coordinator again"},
		{"an unknown clock", func(f *setup.File) { f.Clock.Source = "sundial" }, "clock.source"},
		{"an unknown transmitter", func(f *setup.File) { f.Transmitter.Driver = "kite" }, "transmitter.driver"},
		{"a key that does not fit its id", func(f *setup.File) { f.CoordinatorKey.ID = "0" }, "coordinator_key"},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := apptest.New(t)
			test.spoil(s.File)
			code, out, err := call("check", "--config", written(t, s.File))
			if code != failed || out != "" || !strings.Contains(err, test.want) {
				t.Errorf("exit %d, said %q and %q", code, out, err)
			}
		})
	}
}
