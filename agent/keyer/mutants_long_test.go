//go:build long

package keyer_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// mutants are bugs: what stands in a file of the core, and what would stand
// there instead. Each has to be found by this package's tests.
var mutants = []struct{ promise, file, is, would string }{
	{"S1 orders that do not list the slot", "permit.go", "if !ok {\n\t\treturn nil\n\t}", "if i = min(i, len(all)-1); !ok && i < 0 {\n\t\treturn nil\n\t}"},
	{"S1 orders of another number", "permit.go", "!= orders.number {", "!= orders.number && false {"},
	{"S1 a slot twice", "permit.go", "j.start.Equal(c.key.lastStart) &&", "false &&"},
	{"S1 another call sign", "envelope.go", "if m.GetCallsign() != j.ordered.GetMessage().GetCallsign() {", "if false {"},
	{"S1 forged", "sealed.go", "if errors.As(err, &no) {", "if errors.As(err, &no) && no.Reason == \"too_large\" {"},
	{"S1 for another beacon", "sealed.go", "m.GetNetwork() != config.Network ||", "m.GetNetwork() != config.Network &&"},
	{"S2 no lease for this control", "lease.go", "if term.GetControl() == control {", "if term.GetControl() != 0 {"},
	{"S2 lease without margin", "permit.go", "j.endsAt()+leaseMargin > end", "j.endsAt() > end"},
	{"S2 lease from when it came", "lease.go", "&lease{next, c.nonces[answered].made}", "&lease{next, c.now.Boot}"},
	{"S2 lease of another boot", "lease.go", "|| l.message.GetBootId() != bootID", ""},
	{"S2 too long a term", "lease.go", "if term.GetTimeToLiveMs() > longest.Milliseconds() {", "if false {"},
	{"S2 nobody is present", "operator.go", "c.now.Boot < c.operator.until ||", "true ||"},
	{"S2 presence without the switch", "operator.go", "if c.config.OperatorSwitch && !(c.inputsRead() && c.operator.switched) {", "if false {"},
	{"S2 a switch that was on at power-on", "operator.go", "if s.OperatorSwitch && o.read && !o.switched {", "if s.OperatorSwitch && !o.switched {"},
	{"S3 clock unknown", "permit.go", "heard.ClockErrorBoundNs == nil ||", "heard.ClockErrorBoundNs == nil &&"},
	{"S3 clock unsure", "permit.go", "> int64(maxClockError):", "> 2*int64(maxClockError):"},
	{"S4 frequency unsure", "envelope.go", "> float64(j.ordered.GetUncertaintyMillihertz()) {", "> 2*float64(j.ordered.GetUncertaintyMillihertz()) {"},
	{"S4 frequency unknown", "envelope.go", "math.IsNaN(*ppb) ||", "math.IsNaN(*ppb) &&"},
	{"S5 no watchdog", "carrier.go", "c.now.Boot-j.keyedAt > longestKeyDown(j.length)", "false"},
	{"S5 second 114", "limits.go", "lastSecond        = 114", "lastSecond        = 118"},
	{"S5 a key-up that failed", "carrier.go", "c.trip(UnkeyFailed, err.Error())", ""},
	{"S5 re-armed although it persists", "operator.go", "case err != nil:\n\t\tc.refuseRearm(refuse(CausePersists, \"%v\", err))", "case false:"},
	{"S5 re-armed before it is on disk", "permit.go", "{c.wanted.tripped, c.onDisk.tripped, c.agent.left}", "{c.wanted.tripped, c.agent.left}"},
	{"S5 a trip forgotten on disk", "state.go", "Tripped: r.tripped,", ""},
	{"S5 a trip that is remembered nowhere", "disk.go", "c.do(Remember{tripped})", ""},
	{"S5 a remembered trip that is not looked at", "state.go", "cmp.Or(c.wanted.tripped, p.Tripped)", "cmp.Or(c.wanted.tripped, \"\")"},
	{"S6 a hush that waits for the disk", "hush.go", "{c.onDisk.hush, c.wanted.hush}", "{c.onDisk.hush, nil}"},
	{"S6 a release before it is on disk", "hush.go", "{c.onDisk.hush, c.wanted.hush}", "{nil, c.wanted.hush}"},
	{"S6 a hush state that can't be read", "state.go", "c.takeHush(f.Hush) != nil {", "c.takeHush(f.Hush) != nil && false {"},
	{"S7 no heartbeat", "limits.go", "heartbeatLimit    = 300", "heartbeatLimit    = 3000"},
	{"S7 an open interlock", "operator.go", "case c.operator.open != \"\":", "case false:"},
	{"S7 inputs that nobody reads", "operator.go", "case !c.inputsRead():", "case false:"},
	{"S7 power-on keeps the key", "core.go", "c.restore(persisted)\n\tc.keyUp()", "c.restore(persisted)"},
	{"S9 an older message", "sealed.go", "case order > 0, order == 0", "case order != 0, order == 0"},
	{"S9 less silence under one number", "hush.go", "|| !stopsAll(next, old))", ")"},
	{"S9 an older lease", "lease.go", "l.number.epoch < old.number.epoch {", "false {"},
	{"S10 out of the segment", "envelope.go", "reach += signalHalfWidth", ""},
	{"S10 too much power", "envelope.go", "> min(band.GetMaxPowerDbm(), segment.GetLimitDbm()):", "> band.GetMaxPowerDbm():"},
	{"S10 licence over", "envelope.go", "ends.After(time.Unix(to, 0))", "ends.After(time.Unix(to+60, 0))"},
	{"S10 another control", "envelope.go", "case band.GetControl() != j.ordered.GetControl():", "case false:"},
	{"S11 a full message on another band", "permit.go", "full == nil || full.ordered.GetBand() != j.ordered.GetBand() ||", "full == nil ||"},
	{"S11 a full message long before", "limits.go", "pairWithin        = 8 *", "pairWithin        = 18 *"},
	{"S12 too late", "limits.go", "latestStart       = 200", "latestStart       = 900"},
	{"S12 too early", "carrier.go", "if c.now.Boot < j.startsAt() ||", "if c.now.Boot+20*time.Millisecond < j.startsAt() ||"},
	{"S12 a clock that was set", "core.go", "jump.Abs() > clockJump", "jump.Abs() > 100*clockJump"},
	{"S14 an end that is not told", "carrier.go", "m.UnkeyedUnixUs = proto.Int64(c.clock().UnixMicro())", ""},
}

func TestEveryMutantIsFound(t *testing.T) {
	root, err := filepath.Abs(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range mutants {
		t.Run(m.promise, func(t *testing.T) {
			path := filepath.Join(root, m.file)
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(string(text), m.is); n != 1 {
				t.Fatalf("%q stands %d times in %s", m.is, n, m.file)
			}
			dir := t.TempDir()
			mutant, overlay := filepath.Join(dir, m.file), filepath.Join(dir, "overlay.json")
			replaced, err := json.Marshal(map[string]map[string]string{"Replace": {path: mutant}})
			if err != nil {
				t.Fatal(err)
			}
			for name, content := range map[string][]byte{mutant: []byte(strings.Replace(string(text), m.is, m.would, 1)), overlay: replaced} {
				if err := os.WriteFile(name, content, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if out, err := exec.Command("go", "build", "-overlay", overlay, ".").CombinedOutput(); err != nil {
				t.Fatalf("it does not build: %s", out)
			}
			out, err := exec.Command("go", "test", "-overlay", overlay, "-vet=off", "-failfast", "-timeout", "5m", ".").CombinedOutput()
			if err == nil {
				t.Errorf("nobody notices: %s", out)
			}
		})
	}
}
