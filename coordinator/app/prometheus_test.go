package app_test

import (
	"encoding/json"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"lamplighter/proto/peertest"
)

const rulesFolder = "../../deploy/prometheus"

// Each rule of deploy begins, ends and keeps quiet, by Prometheus' own tool.
func TestTheRulesOfPrometheus(t *testing.T) {
	promtool := peertest.Find(t, "promtool")
	for _, args := range [][]string{{"check", "config", "prometheus.yml"}, {"test", "rules", "alerts_test.yml"}} {
		command := exec.Command(promtool, args...)
		command.Dir = rulesFolder
		if said, err := command.CombinedOutput(); err != nil {
			t.Errorf("promtool %v: %v\n%s", args, err, said)
		}
	}
}

// In these tests each rule is seen to begin, and to keep quiet before and after.
func TestEveryRuleOfPrometheusIsTried(t *testing.T) {
	var rules struct {
		Groups []struct {
			Rules []struct {
				Alert string `yaml:"alert"`
			} `yaml:"rules"`
		} `yaml:"groups"`
	}
	var tests struct {
		Tests []struct {
			Alerts []struct {
				Name   string `yaml:"alertname"`
				Expect []any  `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
		} `yaml:"tests"`
	}
	for name, into := range map[string]any{"alerts.yml": &rules, "alerts_test.yml": &tests} {
		text, err := os.ReadFile(filepath.Join(rulesFolder, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.Unmarshal(text, into); err != nil {
			t.Fatal(err)
		}
	}
	begins, quiet := map[string]int{}, map[string]int{}
	for _, one := range tests.Tests {
		for _, a := range one.Alerts {
			if len(a.Expect) > 0 {
				begins[a.Name]++
			} else {
				quiet[a.Name]++
			}
		}
	}
	for _, group := range rules.Groups {
		for _, rule := range group.Rules {
			if rule.Alert != "" && rule.Alert != "LamplighterHeartbeat" && (begins[rule.Alert] < 1 || quiet[rule.Alert] < 2) {
				t.Errorf("%s begins in %d tests and keeps quiet in %d", rule.Alert, begins[rule.Alert], quiet[rule.Alert])
			}
		}
	}
}

// prometheusRules is what Prometheus says of its rules.
type prometheusRules struct {
	Data struct {
		Groups []struct {
			Rules []struct{ Name, State, Health, LastError string }
		}
	}
}

// The Prometheus of Debian reads the metrics of a real coordinator with the
// configuration of deploy.
func TestPrometheusReadsTheCoordinator(t *testing.T) {
	a := start(t, options(t))
	apply(t, a, smallFleet)
	dir := t.TempDir()
	for _, name := range []string{"prometheus.yml", "alerts.yml"} {
		text, err := os.ReadFile(filepath.Join(rulesFolder, name))
		if err != nil {
			t.Fatal(err)
		}
		changed := strings.NewReplacer("127.0.0.1:7641", a.Addr().HTTP, ": 15s", ": 1s").Replace(string(text))
		if err := os.WriteFile(filepath.Join(dir, name), []byte(changed), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := free.Addr().String()
	_ = free.Close()
	command := exec.CommandContext(t.Context(), peertest.Find(t, "prometheus"),
		"--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address)
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = command.Process.Kill(); _ = command.Wait() })

	client := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	look := time.NewTicker(200 * time.Millisecond)
	defer look.Stop()
	late := time.After(patience)
	var said string
	for {
		select {
		case <-late:
			t.Fatalf("Prometheus has not run all rules well: %s", said)
		case <-look.C:
		}
		var well bool
		if said, well = rulesRunWell(client, address); well {
			return
		}
	}
}

// rulesRunWell says whether all rules run, the heartbeat fires, and nothing says
// that the coordinator is gone.
func rulesRunWell(client *http.Client, address string) (string, bool) {
	answer, err := client.Get("http://" + address + "/api/v1/rules")
	if err != nil {
		return err.Error(), false
	}
	defer answer.Body.Close() //nolint:errcheck // it was read
	var rules prometheusRules
	if err := json.NewDecoder(answer.Body).Decode(&rules); err != nil {
		return err.Error(), false
	}
	state := map[string]string{}
	for _, group := range rules.Data.Groups {
		for _, rule := range group.Rules {
			if rule.Health != "ok" {
				return rule.Name + " " + rule.Health + " " + rule.LastError, false
			}
			state[rule.Name] = rule.State
		}
	}
	if state["LamplighterHeartbeat"] != "firing" || state["LamplighterCoordinatorGone"] != "inactive" || state["LamplighterNobodyLeads"] != "inactive" {
		return "the states are not as they should be", false
	}
	return "", len(state) > 8
}
