package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"time"

	"fhirsvc/internal/conformance"
	"fhirsvc/internal/fhir/profiles"
)

const (
	listFile = "internal/conformance/differences.txt"
	document = "docs/validation.md"
	caseList = "docs/validation-cases.md"
	testdata = "internal/fhir/validate/testdata"
	limit    = 30 * time.Minute
)

type options struct {
	java, npm, google string
	update            bool
	folders           []string // of resources that are rendered or stored
}

func main() {
	var o options
	flag.StringVar(&o.java, "java", "", "`folder` with the built reference validator")
	flag.StringVar(&o.npm, "npm", "", "`folder` of npm's installed packages")
	flag.StringVar(&o.google, "google", "", "the built `program` of internal/conformance/google")
	flag.BoolVar(&o.update, "update", false, "rewrite the tables of "+document+" and "+caseList)
	flag.Parse()
	o.folders = flag.Args()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	if err := run(ctx, o); err != nil {
		fmt.Fprintln(os.Stderr, "conformance:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, o options) error {
	cases, err := corpus(o.folders)
	if err != nil {
		return err
	}
	fmt.Printf("%d cases\n", len(cases))
	judgements, err := judge(ctx, o, cases)
	if err != nil {
		return err
	}
	fmt.Print(conformance.Costs(judgements))
	list, err := differences()
	if err != nil {
		return err
	}
	faults := conformance.Unexplained(cases, judgements[0], judgements[1], list)
	for _, f := range faults {
		fmt.Println(f)
	}
	if err := hold(o.update, cases, judgements, list); err != nil {
		faults = append(faults, err.Error())
		fmt.Println(err)
	}
	agreed := 0
	for i := range cases {
		if judgements[0].Verdicts[i].Refused() == judgements[1].Verdicts[i].Refused() {
			agreed++
		}
	}
	fmt.Printf("ours and the reference agree on %d of %d cases\n", agreed, len(cases))
	if len(faults) > 0 {
		return fmt.Errorf("%d faults", len(faults))
	}
	return nil
}

// corpus is all cases: mutants, published examples, HL7's cases, and what is in the folders.
func corpus(folders []string) ([]conformance.Case, error) {
	cases, err := conformance.Mutants(testdata + "/valid")
	if err != nil {
		return nil, err
	}
	examples, err := conformance.Examples()
	if err != nil {
		return nil, err
	}
	hl7, err := conformance.HL7Cases(testdata + "/hl7")
	if err != nil {
		return nil, err
	}
	cases = slices.Concat(cases, examples, hl7)
	for _, f := range folders {
		stored, err := conformance.Folder(f, profiles.Outgoing().Require)
		if err != nil {
			return nil, err
		}
		fmt.Printf("%d resources in %s\n", len(stored), f)
		cases = append(cases, stored...)
	}
	return cases, nil
}

// judge asks all validators: ours, the reference, and the others, in this order.
func judge(ctx context.Context, o options, cases []conformance.Case) ([]conformance.Judgement, error) {
	out := []conformance.Judgement{conformance.Ours(profiles.Outgoing(), cases)}
	for _, p := range programs(o) {
		j, err := p.Judge(ctx, cases)
		if err != nil {
			return nil, err
		}
		out = append(out, j)
	}
	return out, nil
}

func programs(o options) []conformance.Program {
	java := filepath.Join(o.java, "classes") + ":" + filepath.Join(o.java, "lib", "*")
	npm := func(name, peer string) conformance.Program {
		return conformance.Program{
			Name: name, Command: []string{"node", ".ci/conformance/peer.cjs", peer},
			Env: []string{"NODE_PATH=" + o.npm},
		}
	}
	return []conformance.Program{
		{Name: conformance.ReferenceName, Command: []string{"java", "-Xmx3g", "-cp", java, "Validate", "api"}},
		{Name: "google/fhir/go", Command: []string{o.google}},
		npm("JSON schema", "schema"),
		npm("npm fhir", "fhir"),
		npm("medplum", "medplum"),
	}
}

func differences() ([]*conformance.Difference, error) {
	f, err := os.Open(listFile)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // only read
	return conformance.ReadDifferences(f)
}

// hold compares the tables of the documents with what came out, or rewrites them.
func hold(update bool, cases []conformance.Case, judgements []conformance.Judgement, list []*conformance.Difference) error {
	reasons, err := conformance.Reasons(testdata + "/hl7_misses.txt")
	if err != nil {
		return err
	}
	return errors.Join(
		holdTable(update, document, "table", conformance.Table(cases, judgements)),
		holdTable(update, document, "differences", conformance.List(list)),
		holdTable(update, caseList, "cases", conformance.CaseTable(cases, judgements, reasons)))
}

func holdTable(update bool, file, name, table string) error {
	old, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	text, err := conformance.Replace(string(old), name, table)
	if err != nil || text == string(old) {
		return err
	}
	if !update {
		fmt.Print(table)
		return fmt.Errorf("%s: the table %q is not what came out; run make conformance UPDATE=-update and read the diff", file, name)
	}
	return os.WriteFile(file, []byte(text), 0o644)
}
