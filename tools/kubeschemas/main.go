// Command kubeschemas writes the JSON Schemas that the chart's rendered objects are held
// against: of the kinds that the chart uses and no other, from the OpenAPI files that the
// Kubernetes release publishes and from the definitions of the Prometheus operator's own
// kinds. Both come as Go modules at pinned versions; nothing else is fetched.
//
//	go run ./kubeschemas -out kubeschemas/schemas
//
// The schemas are strict: a field that Kubernetes does not know is a fault, although a
// cluster would only warn of it.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"sigs.k8s.io/yaml"
)

// Where the schemas come from. A release of the chart names the Kubernetes that it needs
// (Chart.yaml, kubeVersion); these are of the newest one at hand.
const (
	kubernetes = "k8s.io/kubernetes@v1.37.2"
	operator   = "github.com/prometheus-operator/prometheus-operator@v0.85.0"
)

// kind is one kind of object: the group's OpenAPI file, and its name in there.
type kind struct{ file, definition string }

func kinds() []kind {
	return []kind{
		{"api__v1", "io.k8s.api.core.v1.ConfigMap"},
		{"api__v1", "io.k8s.api.core.v1.Pod"},
		{"api__v1", "io.k8s.api.core.v1.Service"},
		{"api__v1", "io.k8s.api.core.v1.ServiceAccount"},
		{"apis__apps__v1", "io.k8s.api.apps.v1.Deployment"},
		{"apis__autoscaling__v2", "io.k8s.api.autoscaling.v2.HorizontalPodAutoscaler"},
		{"apis__batch__v1", "io.k8s.api.batch.v1.Job"},
		{"apis__networking.k8s.io__v1", "io.k8s.api.networking.v1.NetworkPolicy"},
		{"apis__policy__v1", "io.k8s.api.policy.v1.PodDisruptionBudget"},
	}
}

// customKinds are the operator's, by the names of their files.
func customKinds() []string { return []string{"prometheusrules", "servicemonitors"} }

func main() {
	out := flag.String("out", "kubeschemas/schemas", "folder to write to")
	flag.Parse()
	log.SetFlags(0)
	if err := run(*out); err != nil {
		log.Fatal(err)
	}
}

func run(out string) error {
	w := writer{out: out, definitions: map[string]any{}}
	if err := w.published(); err != nil {
		return fmt.Errorf("%s: %w", kubernetes, err)
	}
	if err := w.custom(); err != nil {
		return fmt.Errorf("%s: %w", operator, err)
	}
	return w.write(definitionsFile, map[string]any{"definitions": w.definitions})
}

// definitionsFile holds what the kinds have in common, each once.
const definitionsFile = "definitions.json"

// writer collects the definitions that the kinds need.
type writer struct {
	out         string
	definitions map[string]any
}

// published writes the kinds of Kubernetes itself.
func (w writer) published() error {
	dir, err := module(kubernetes)
	if err != nil {
		return err
	}
	for _, k := range kinds() {
		body, err := os.ReadFile(filepath.Join(dir, "api", "openapi-spec", "v3", k.file+"_openapi.json"))
		if err != nil {
			return err
		}
		var spec struct {
			Components struct{ Schemas map[string]map[string]any }
		}
		if err := json.Unmarshal(body, &spec); err != nil {
			return fmt.Errorf("%s: %w", k.file, err)
		}
		if err := w.need(spec.Components.Schemas, k.definition); err != nil {
			return err
		}
		name, err := fileName(spec.Components.Schemas[k.definition])
		if err != nil {
			return fmt.Errorf("%s: %w", k.definition, err)
		}
		if err := w.write(name, map[string]any{"$ref": definitionsFile + "#/definitions/" + k.definition}); err != nil {
			return err
		}
	}
	return nil
}

// need takes over a definition with all that it refers to.
func (w writer) need(all map[string]map[string]any, name string) error {
	if w.definitions[name] != nil {
		return nil
	}
	if all[name] == nil {
		return fmt.Errorf("no definition of %s", name)
	}
	referred := map[string]bool{}
	w.definitions[name] = strict(named(name, all[name]), func(to string) string {
		referred[to] = true
		return "#/definitions/" + to
	})
	for to := range referred {
		if err := w.need(all, to); err != nil {
			return err
		}
	}
	return nil
}

// custom writes the operator's kinds. Their own definitions leave the metadata open.
func (w writer) custom() error {
	dir, err := module(operator)
	if err != nil {
		return err
	}
	for _, plural := range customKinds() {
		body, err := os.ReadFile(filepath.Join(dir, "example", "prometheus-operator-crd", "monitoring.coreos.com_"+plural+".yaml"))
		if err != nil {
			return err
		}
		var crd struct {
			Spec struct {
				Group    string
				Names    struct{ Kind string }
				Versions []struct {
					Name   string
					Schema struct{ OpenAPIV3Schema map[string]any }
				}
			}
		}
		if err := yaml.Unmarshal(body, &crd); err != nil {
			return fmt.Errorf("%s: %w", plural, err)
		}
		for _, v := range crd.Spec.Versions {
			schema := strict(v.Schema.OpenAPIV3Schema, nil)
			properties, ok := schema["properties"].(map[string]any)
			if !ok {
				return fmt.Errorf("%s %s: no properties", plural, v.Name)
			}
			properties["metadata"] = map[string]any{"$ref": definitionsFile + "#/definitions/io.k8s.apimachinery.pkg.apis.meta.v1.ObjectMeta"}
			if err := w.write(schemaName(crd.Spec.Names.Kind, crd.Spec.Group, v.Name), schema); err != nil {
				return err
			}
		}
	}
	return nil
}

// fileName is where kubeconform looks for the kind, by what the definition says of itself.
func fileName(definition map[string]any) (string, error) {
	list, _ := definition["x-kubernetes-group-version-kind"].([]any)
	if len(list) != 1 {
		return "", fmt.Errorf("want one group, version and kind, got %d", len(list))
	}
	of, _ := list[0].(map[string]any)
	text := func(key string) string { s, _ := of[key].(string); return s }
	return schemaName(text("kind"), text("group"), text("version")), nil
}

// schemaName is kubeconform's {{.ResourceKind}}{{.KindSuffix}}: the group up to its first dot.
func schemaName(kind, group, version string) string {
	group, _, _ = strings.Cut(group, ".")
	parts := []string{strings.ToLower(kind), group, version}
	if group == "" {
		parts = []string{parts[0], version}
	}
	return strings.Join(parts, "-") + ".json"
}

func (w writer) write(name string, schema any) error {
	body, err := json.MarshalIndent(schema, "", " ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(w.out, name), append(body, '\n'), 0o644)
}

// module gives the folder of a module at a version, which it fetches if it is not there.
// Its sum is checked as that of any module.
func module(path string) (string, error) {
	command := exec.Command("go", "mod", "download", "-json", path)
	command.Stderr = os.Stderr
	out, err := command.Output()
	if err != nil {
		return "", fmt.Errorf("download: %w", err)
	}
	var got struct{ Dir string }
	return got.Dir, json.Unmarshal(out, &got)
}
