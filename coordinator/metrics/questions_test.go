package metrics_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"lamplighter/proto/peertest"
)

// questions reads the queries that are written down for people.
func questions(t *testing.T) []string {
	t.Helper()
	text, err := os.ReadFile("../../deploy/prometheus/questions.md")
	if err != nil {
		t.Fatal(err)
	}
	var queries []string
	for _, found := range regexp.MustCompile("(?s)```promql\n(.*?)\n```").FindAllStringSubmatch(string(text), -1) {
		queries = append(queries, strings.Join(strings.Fields(found[1]), " "))
	}
	if len(queries) < 10 {
		t.Fatalf("%d queries", len(queries))
	}
	return queries
}

func TestQueriesForPeopleAskForMetricsThatExist(t *testing.T) {
	names, err := os.ReadFile(filepath.Join("testdata", "beacons.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, query := range questions(t) {
		for _, name := range regexp.MustCompile(`lamplighter_\w+`).FindAllString(query, -1) {
			if !strings.Contains(string(names), "# TYPE "+name+" ") {
				t.Errorf("%s: there is no metric %s", query, name)
			}
		}
	}
}

// The real Prometheus reads every query, and gives to some of them the answers
// that follow by hand from an invented hour: beacon a sends 3 of its slots every
// 30 minutes, b sends 1 and is not heard any more.
func TestQueriesForPeopleAreAnsweredRightly(t *testing.T) {
	promtool := peertest.Find(t, "promtool")
	queries := questions(t)
	rules := "groups:\n- name: questions\n  rules:\n"
	for i, query := range queries {
		rules += fmt.Sprintf("  - {record: 'question_%d', expr: '%s'}\n", i, strings.ReplaceAll(query, "'", "''"))
	}
	folder := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		file := filepath.Join(folder, name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	if said, err := exec.Command(promtool, "check", "rules", write("rules.yml", rules)).CombinedOutput(); err != nil {
		t.Errorf("promtool check rules: %v\n%s", err, said)
	}
	find := func(part string) string {
		t.Helper()
		for _, query := range queries {
			if strings.HasPrefix(query, part) {
				return query
			}
		}
		t.Fatalf("no query begins with %s", part)
		return ""
	}
	a, b := `site="s", beacon="a"`, `site="s", beacon="b"`
	tests := "evaluation_interval: 1m\ntests:\n- interval: 30m\n  input_series:\n"
	for series, values := range map[string]string{
		"lamplighter_beacon_up{" + a + "}":                                                 "1+0x48",
		"lamplighter_beacon_up{" + b + "}":                                                 "1+0x47 0",
		"lamplighter_beacon_transmissions_total{" + a + `, band="40m", outcome="sent"}`:    "0+3x48",
		"lamplighter_beacon_transmissions_total{" + a + `, band="40m", outcome="skipped"}`: "0+1x48",
		"lamplighter_beacon_transmissions_total{" + b + `, band="40m", outcome="sent"}`:    "0+1x48",
		"lamplighter_beacon_clock_error_bound_seconds{" + a + "}":                          "0.001+0x48",
		"lamplighter_beacon_clock_error_bound_seconds{" + b + "}":                          "0.001+0x47 0.7",
	} {
		tests += fmt.Sprintf("  - {series: '%s', values: '%s'}\n", series, values)
	}
	tests += "  promql_expr_test:\n"
	for query, want := range map[string]string{
		find("lamplighter_beacon_up == 0"):     fmt.Sprintf("[{labels: 'lamplighter_beacon_up{%s}', value: 0}]", b),
		find("avg by (site)"):                  `[{labels: '{site="s"}', value: 0.5}]`,
		find("sum by (site, beacon)"):          fmt.Sprintf("[{labels: '{%s}', value: 144}, {labels: '{%s}', value: 48}]", a, b),
		find("sum by (band)"):                  `[{labels: '{band="40m"}', value: 0.8}]`,
		find("max_over_time"):                  fmt.Sprintf("[{labels: '{%s}', value: 0.001}, {labels: '{%s}', value: 0.7}]", a, b),
		find("sum(sum by (beacon) (increase("): "[{labels: '{}', value: 0.8}]", // (3+1)² / (2·(9+1))
	} {
		tests += fmt.Sprintf("  - {expr: '%s', eval_time: 24h, exp_samples: %s}\n", query, want)
	}
	if said, err := exec.Command(promtool, "test", "rules", write("tests.yml", tests)).CombinedOutput(); err != nil {
		t.Errorf("promtool test rules: %v\n%s", err, said)
	}
}
