package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"

	"nightwire/sim/outside"
)

// prometheusConf takes the path of the rules and the port of the page.
const prometheusConf = `global: {scrape_interval: 1s, scrape_timeout: 1s}
rule_files: [%q]
scrape_configs:
  - job_name: nightwire
    static_configs: [{targets: ["127.0.0.1:%d"]}]
`

// metricName finds the names of our metrics in rules and dashboards.
var metricName = regexp.MustCompile(`\bnightwire_\w+`)

// TestPrometheusScrapes lets a real Prometheus scrape a watch. Every metric that the rules and the dashboard name must
// be there, and what is there must pass Prometheus's own lint.
func TestPrometheusScrapes(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: starts a server of its own")
	}
	prometheus, promtool := outside.Program(t, "prometheus"), outside.Program(t, "promtool")
	deploy := filepath.Join("..", "..", "deploy")
	rules, err := filepath.Abs(filepath.Join(deploy, "prometheus", "rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	page, server := port(t), port(t)
	mqtt := port(t)
	farm := strings.Replace(fmt.Sprintf(nightFarm, "60s", 1, mqtt, page), "url: \"mqtt://", "listen: \"", 1)
	startWatch(t, writeFarm(t, farm), t.TempDir()).ready(t, page)
	c := dialPaho(t, paho.NewClientOptions().AddBroker(fmt.Sprintf("tcp://127.0.0.1:%d", mqtt)))
	if tok := c.Publish("test-bank/brook", 1, false, "6.4"); !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}

	lint := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	lint.Stdin = strings.NewReader(get(fmt.Sprintf("http://127.0.0.1:%d/metrics", page)))
	if out, err := lint.CombinedOutput(); err != nil {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}

	conf := filepath.Join(t.TempDir(), "prometheus.yml")
	if err := os.WriteFile(conf, fmt.Appendf(nil, prometheusConf, rules, page), 0o600); err != nil {
		t.Fatal(err)
	}
	startProcess(t, prometheus, "--config.file="+conf, "--storage.tsdb.path="+t.TempDir(), fmt.Sprintf("--web.listen-address=127.0.0.1:%d", server))
	var have []string
	until(t, "Prometheus has scraped", func() bool {
		have = prometheusNames(t, server)
		return slices.Contains(have, "nightwire_fence_volts") && slices.Contains(have, "up") // which comes last
	})
	for _, file := range []string{"prometheus/rules.yaml", "prometheus/rules.test.yaml", "grafana/nightwire.json"} {
		text, err := os.ReadFile(filepath.Join(deploy, filepath.FromSlash(file)))
		if err != nil {
			t.Fatal(err)
		}
		named := metricName.FindAllString(string(text), -1)
		if len(named) < 5 {
			t.Errorf("%s names %d metrics: is it read rightly?", file, len(named))
		}
		for _, name := range slices.Compact(slices.Sorted(slices.Values(named))) {
			if !slices.Contains(have, name) {
				t.Errorf("%s names %s, which Prometheus did not find", file, name)
			}
		}
	}
}

// prometheusNames returns the names of the metrics that a Prometheus has; none while it does not answer.
func prometheusNames(t *testing.T, port int) []string {
	resp, err := http.Get(fmt.Sprintf("http://127.0.0.1:%d/api/v1/label/__name__/values", port))
	if err != nil {
		return nil // not up yet
	}
	defer resp.Body.Close()
	var answer struct {
		Data []string `json:"data"`
	}
	data, err := io.ReadAll(resp.Body)
	if err != nil || json.Unmarshal(data, &answer) != nil {
		return nil
	}
	return answer.Data
}

// TestPrometheusRules holds the alert rules to their own tests.
func TestPrometheusRules(t *testing.T) {
	promtool := outside.Program(t, "promtool")
	dir := filepath.Join("..", "..", "deploy", "prometheus")
	for _, args := range [][]string{{"check", "rules", "rules.yaml"}, {"test", "rules", "rules.test.yaml"}} {
		cmd := exec.CommandContext(t.Context(), promtool, args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}
