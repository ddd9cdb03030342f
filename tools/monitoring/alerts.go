package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/common/model"
	"github.com/prometheus/common/promslog"
	"go.yaml.in/yaml/v2"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/promql/parser"
	"github.com/prometheus/prometheus/promql/promqltest"
	"github.com/prometheus/prometheus/rules"
)

// testFile is promtool's, as far as alerts need it; anything else in a file is a fault.
type testFile struct {
	RuleFiles          []string       `yaml:"rule_files"`
	EvaluationInterval model.Duration `yaml:"evaluation_interval"`
	Tests              []testGroup    `yaml:"tests"`
}

type testGroup struct {
	Name        string `yaml:"name"`
	InputSeries []struct {
		Series string `yaml:"series"`
		Values string `yaml:"values"`
	} `yaml:"input_series"`
	AlertRuleTests []alertTest `yaml:"alert_rule_test"`
}

type alertTest struct {
	EvalTime  model.Duration `yaml:"eval_time"`
	Alertname string         `yaml:"alertname"`
	ExpAlerts []struct {
		ExpLabels      map[string]string `yaml:"exp_labels"`
		ExpAnnotations map[string]string `yaml:"exp_annotations"`
	} `yaml:"exp_alerts"`
}

// rulesFile is the one name by which tests name their rules.
const rulesFile = "rules.yaml"

func alerts(rendered, metrics, tests string, all bool) error {
	dir, err := os.MkdirTemp("", "monitoring-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	file := filepath.Join(dir, rulesFile)
	expressions, err := takeRules(rendered, file)
	if err != nil {
		return err
	}
	documented, err := readCatalogue(metrics)
	if err != nil {
		return err
	}
	text, err := os.ReadFile(tests)
	if err != nil {
		return err
	}
	var t testFile
	if err := yaml.UnmarshalStrict(text, &t); err != nil {
		return fmt.Errorf("%s: %w", tests, err)
	}
	if !slices.Equal(t.RuleFiles, []string{rulesFile}) || t.EvaluationInterval == 0 {
		return fmt.Errorf("%s: rule_files must be [%s], and evaluation_interval be given", tests, rulesFile)
	}
	var faults []string
	for _, e := range expressions {
		faults = append(faults, documented.faults(e)...)
	}
	names := map[string]bool{}
	for _, group := range t.Tests {
		found, err := group.play(file, time.Duration(t.EvaluationInterval), names)
		if err != nil {
			return fmt.Errorf("%s: %s: %w", tests, group.Name, err)
		}
		for _, fault := range found {
			faults = append(faults, fmt.Sprintf("%s: %s: %s", tests, group.Name, fault))
		}
	}
	faults = append(faults, t.gaps(names, all)...)
	return report(fmt.Sprintf("%s: %d tests of %d alerts", tests, len(t.Tests), len(names)), faults)
}

// takeRules writes the groups of the PrometheusRule among rendered objects to a file of rules,
// and gives their expressions.
func takeRules(rendered, to string) ([]string, error) {
	text, err := os.ReadFile(rendered)
	if err != nil {
		return nil, err
	}
	objects := yaml.NewDecoder(bytes.NewReader(text))
	for {
		var object struct {
			Kind string
			Spec struct {
				Groups []struct {
					Name  string
					Rules []yaml.MapSlice
				}
			}
		}
		if err := objects.Decode(&object); errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%s: no PrometheusRule", rendered)
		} else if err != nil {
			return nil, err
		}
		if object.Kind != "PrometheusRule" {
			continue
		}
		var expressions []string
		for _, group := range object.Spec.Groups {
			for _, rule := range group.Rules {
				for _, item := range rule {
					if item.Key == "expr" {
						expressions = append(expressions, fmt.Sprint(item.Value))
					}
				}
			}
		}
		file, err := yaml.Marshal(map[string]any{"groups": object.Spec.Groups})
		if err != nil {
			return nil, err
		}
		return expressions, os.WriteFile(to, file, 0o600)
	}
}

// play evaluates the rules over the series of a group of tests, minute by minute, and says
// where the alerts that fire are others than expected. It adds the names of all alerts.
func (g *testGroup) play(file string, interval time.Duration, names map[string]bool) (faults []string, err error) {
	p := parser.NewParser(parser.Options{})
	load := "load " + model.Duration(interval).String() + "\n"
	for _, s := range g.InputSeries {
		load += "  " + s.Series + " " + s.Values + "\n"
	}
	suite, err := promqltest.NewLazyLoader(load, promqltest.LazyLoaderOpts{EnableAtModifier: true, EnableNegativeOffset: true})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, suite.Close()) }()
	manager := rules.NewManager(&rules.ManagerOptions{
		QueryFunc:  rules.EngineQueryFunc(suite.QueryEngine(), suite.Storage()),
		Appendable: suite.Storage(), Context: context.Background(),
		NotifyFunc: func(context.Context, string, ...*rules.Alert) {},
		Logger:     promslog.NewNopLogger(), Parser: p,
	})
	groups, errs := manager.LoadGroups(interval, labels.EmptyLabels(), "", nil, false, file)
	if errs != nil {
		return nil, errors.Join(errs...)
	}
	var last time.Duration
	for _, test := range g.AlertRuleTests {
		if time.Duration(test.EvalTime)%interval != 0 {
			return nil, fmt.Errorf("%s is no multiple of %s", test.EvalTime, interval)
		}
		last = max(last, time.Duration(test.EvalTime))
	}
	for at := time.Duration(0); at <= last; at += interval {
		now := time.Unix(0, 0).UTC().Add(at)
		firing := map[string][]string{}
		suite.WithSamplesTill(now, func(e error) {
			err = e
			for _, group := range groups {
				group.Eval(suite.Context(), now)
				err = errors.Join(err, firingOf(group, firing, names))
			}
		})
		if err != nil {
			return nil, err
		}
		for _, test := range g.AlertRuleTests {
			if want, got := test.expected(), firing[test.Alertname]; time.Duration(test.EvalTime) == at && !slices.Equal(want, got) {
				faults = append(faults, fmt.Sprintf("%s after %s\n  want %s\n  got  %s", test.Alertname, test.EvalTime, strings.Join(want, "\n       "), strings.Join(got, "\n       ")))
			}
		}
	}
	return faults, nil
}

// firingOf collects the alerts of a group that fire, in words, and all their names.
func firingOf(group *rules.Group, firing map[string][]string, names map[string]bool) error {
	for _, rule := range group.Rules() {
		if rule.LastError() != nil {
			return fmt.Errorf("%s: %w", rule.Name(), rule.LastError())
		}
		alert, ok := rule.(*rules.AlertingRule)
		if !ok {
			return fmt.Errorf("%s is no alert", rule.Name())
		}
		alert.SetRestored(true) // nothing is remembered from before
		names[alert.Name()] = true
		for _, a := range alert.ActiveAlerts() {
			if a.State == rules.StateFiring {
				firing[alert.Name()] = append(firing[alert.Name()], a.Labels.String()+" "+a.Annotations.String())
			}
		}
		slices.Sort(firing[alert.Name()])
	}
	return nil
}

// expected gives the alerts that are to fire, in words.
func (t *alertTest) expected() []string {
	var words []string
	for _, e := range t.ExpAlerts {
		own := map[string]string{labels.AlertName: t.Alertname}
		for name, value := range e.ExpLabels {
			own[name] = value
		}
		words = append(words, labels.FromMap(own).String()+" "+labels.FromMap(e.ExpAnnotations).String())
	}
	slices.Sort(words)
	return words
}
