# Everything a day's work needs; `make` alone prints the list.
SHELL := bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
.NOTPARALLEL:

GO ?= go
# One package at a time: some tests wait for a real clock, and want the machine.
TEST := $(GO) test -timeout 20m -p 1
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)
# How many runs with faults `make fault` plays, and from which seed on (0 draws one); it
# begins none after FAULT_FOR, unless that is 0.
FAULT_RUNS ?= 100
FAULT_SEED ?= 0
FAULT_FOR ?= 60s
IMAGE ?= fhirsvc:$(VERSION)
FUZZTIME ?= 30s
# What `make run` plays: an invented episode in under a minute, and then the sandbox stays up.
SANDBOX ?= sandbox --play
# Where `make sandbox-fhir` listens; port 0 picks a free one.
SANDBOX_FHIR ?= -port 8090 -http 127.0.0.1:8080 -nats 127.0.0.1:4222

LINTER := bin/tools/golangci-lint
HELM := bin/tools/helm
KUBECONFORM := bin/tools/kubeconform
MONITORING := bin/tools/monitoring
CYCLONEDX := bin/tools/cyclonedx-gomod
VULNCHECK := bin/tools/govulncheck
# Further flags of the image's build, such as --build-arg BASE_IMAGE=….
IMAGE_FLAGS ?=
CHART := deploy/helm/fhirsvc
# Where `make conformance` puts the validators of others, and what the tests stored.
PEERS := .build/conformance
# -update rewrites the tables of docs/validation.md.
UPDATE ?=
# Runs a command with a PostgreSQL of its own, see .ci/postgres.
WITH_DB := .ci/postgres run
# The packages that need no server.
QUICK := ./internal/conventions/... ./internal/fhir/... ./internal/workflow/...
# Of whose tests the expectations are written by a flag: -rewrite, -update.
packages_with = $(addprefix ./,$(sort $(dir $(shell grep -rlF --include='*_test.go' '$(1)' cmd internal))))

.PHONY: help
help: ## print this list
	@grep -hE '^[a-z0-9-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:[^#]*## /\t/' | expand -t 16

##-- the service

.PHONY: run sandbox-fhir build image release reproducible sbom
run: build ## the sandbox with a played episode: needs nothing but Go
	./bin/fhirsvc $(SANDBOX)

sandbox-fhir: build ## a sandbox that delivers to a general FHIR server with our package, see docs/sandbox-fhir.md (needs Java 17 and Maven)
	.ci/conformance/prepare $(PEERS) server
	$(GO) build -o .build/foreign ./internal/conformance/foreign/run
	.build/foreign -java $(PEERS)/server -fhirsvc bin/fhirsvc $(SANDBOX_FHIR)

build: ## the binary, bin/fhirsvc
	CGO_ENABLED=0 $(GO) build -trimpath -o bin/fhirsvc ./cmd/fhirsvc

image: ## the container image (needs a container engine; untested, see deploy/README.md)
	docker build -f deploy/Dockerfile -t $(IMAGE) --build-arg VERSION=$(VERSION) --build-arg REVISION=$$(git rev-parse HEAD) \
		--build-arg CREATED=$$(git log -1 --format=%cI) $(IMAGE_FLAGS) .

release: ## the binary of a release, .build/release/fhirsvc
	.ci/release-build .build/release/fhirsvc

reproducible: ## show that the last commit, built in two places, is the same bytes
	.ci/reproducible

sbom: release $(CYCLONEDX) ## the release's bill of materials, CycloneDX
	.ci/sbom $(CYCLONEDX) .build/release/fhirsvc .build/release/fhirsvc.cdx.json

##-- tests

.PHONY: test quick race model-check simulation fault scenario golden test-db e2e peers interface foreign conformance fuzz bench bench-go bench-validate scale cover db-up db-down
test: e2e ## all tests, on a PostgreSQL that it sets up itself
	@$(WITH_DB) $(TEST) $$($(GO) list ./... | grep -v '^fhirsvc/cmd/')

quick: ## the tests that need no server, in seconds
	$(TEST) -short $(QUICK)

# Not cmd and fault/site, which try the binary, nor scale, of which the database does the work; nor what
# shares nothing between goroutines: packages that validate and episode try from many, the model's walk and the statistics.
ALONE := fault/site|scale|conformance|conventions|fhir/(definitions|fhirpath|form|guide|subset|tree|timeline|validate/mutate)
race: ## the tests of the packages under the race detector, the long ones shortened
	$(WITH_DB) $(TEST) -race -short -skip 'TestModelCheck|TestEpisodes|TestOman|TestPrompts' \
		$$($(GO) list ./internal/... | grep -v -E '/($(ALONE))(/|$$)')

model-check: ## walk the core over a bounded alphabet of inputs; REACH=4 goes deeper
	$(TEST) -count=1 -run 'TestModelCheck|TestModelKey|TestTwoClients' -v ./internal/workflow -args -model.reach $(or $(REACH),0)

simulation: ## the service under faults on a clock that costs nothing; MOMENTS says how many
	$(TEST) -timeout 90m -count=1 -run TestMoments ./internal/fault -args -fault.moments $(or $(MOMENTS),100000)

fault: ## the service in processes, with faults drawn from a seed, for FAULT_FOR; FAULT_RUNS=500 FAULT_FOR=0 is long
	$(WITH_DB) $(GO) test -timeout 12h -count=1 -run TestFaults -v ./internal/fault/site -args \
		-fault.runs $(FAULT_RUNS) -fault.seed $(FAULT_SEED) -fault.for $(FAULT_FOR)

scenario: ## rewrite the bedside stories' expected output; read the diff
	$(TEST) $(call packages_with,cockroachdb/datadriven) -rewrite

golden: $(HELM) $(KUBECONFORM) ## rewrite the golden resources and the rendered chart; read the diff
	$(WITH_DB) $(TEST) $(call packages_with,rewrite the golden) -update
	.ci/helm-lint -update $(HELM) $(KUBECONFORM) $(CHART)

test-db: ## the store's contract, on both stores
	$(WITH_DB) $(TEST) -count=1 ./internal/store/...

e2e: ## the tests over the wire against the real binary; what they stored is kept for conformance
	rm -rf $(PEERS)/stored && mkdir -p $(PEERS)/stored
	FHIRSVC_TEST_KEEP=$(abspath $(PEERS)/stored) $(WITH_DB) $(TEST) -count=1 ./cmd/...

peers: ## fetch and build the validators and clients of others (needs Java 17, Maven, Node 20 and Python 3.10)
	.ci/conformance/prepare $(PEERS)

interface: peers ## the HTTP interface tried by the clients and checkers of others
	.ci/conformance/interface $(PEERS)

foreign: build ## the package and an episode on a general FHIR server, and compared (needs Java 17 and Maven)
	.ci/conformance/prepare $(PEERS) server
	$(GO) build -o .build/foreign ./internal/conformance/foreign/run
	.build/foreign -java $(PEERS)/server -fhirsvc bin/fhirsvc -check

conformance: interface foreign e2e ## the interface as above, and the validator beside those of others, see docs/validation.md
	rm -rf $(PEERS)/package && $(GO) run ./cmd/fhirsvc conformance -o $(PEERS)/package && rm $(PEERS)/package/transaction.json
	$(GO) run ./internal/conformance/run $(UPDATE) -java $(PEERS)/java -npm $(PEERS)/npm/node_modules -google $(PEERS)/google \
		testdata/fhir $(PEERS)/package $(PEERS)/stored

fuzz: ## every fuzz target for FUZZTIME
	.ci/fuzz $(FUZZTIME)

bench: build ## fhirsvc beside bare PostgreSQL, JetStream and echo, all on shared processors and with the database apart, see docs/performance.md; up to 20 minutes
	mkdir -p .build && $(GO) build -o .build/bench-ratios ./internal/bench
	$(WITH_DB) .build/bench-ratios -fhirsvc bin/fhirsvc
	$(WITH_DB) .build/bench-ratios -fhirsvc bin/fhirsvc -apart

bench-go: ## the benchmarks of the packages
	$(WITH_DB) $(TEST) -run '^$$' -bench . -benchmem ./...

bench-validate: ## the validator's speed beside others (needs what conformance needs), see docs/validation.md; up to 3 minutes
	.ci/bench-validate $(PEERS) .build/bench $(UPDATE)

scale: ## a database of 50,000 finished and 5,000 open episodes (COPIES, BASE for others): what one takes, and how fast a ward is beside them; needs 50 GB while its indexes are built, and an hour
	$(WITH_DB) $(GO) test -timeout 8h -count=1 -v ./internal/scale -run 'TestScale|TestArmed' -args -scale.base $(or $(BASE),1000) \
		-scale.copies $(or $(COPIES),0,4,49) -scale.rounds 500 -scale.armed 50000 -scale.firing 40 -scale.seconds 10

cover: ## what the tests reach, by function; coverage.out for tools
	$(WITH_DB) $(TEST) -coverpkg=./... -coverprofile=coverage.out ./...
	$(GO) tool cover -func=coverage.out

db-up: ## start PostgreSQL and leave it running; prints its URL
	.ci/postgres start

db-down: ## stop it
	.ci/postgres stop

##-- checks

.PHONY: fmt fmt-check vet lint generate generate-diff tidy-diff helm-lint alerts schemas schemas-diff vulncheck verify upgrade-check release-checks
fmt: $(LINTER) ## format the Go files
	$(LINTER) fmt

fmt-check: $(LINTER)
	$(LINTER) fmt --diff

vet:
	$(GO) vet ./...

lint: $(LINTER) ## the linters, and that the map of packages still catches what it forbids
	.ci/lint-map $(LINTER)
	$(LINTER) run ./...

generate: ## run the generators
	$(GO) generate ./...

generate-diff: ## fail if what is generated is not what is committed
	.ci/unchanged $(GO) generate ./...

tidy-diff: ## fail if go.mod or go.sum is not tidy
	$(GO) mod tidy -diff

helm-lint: $(HELM) $(KUBECONFORM) ## lint and render the chart, and hold it against the schemas of Kubernetes
	.ci/helm-lint $(HELM) $(KUBECONFORM) $(CHART)

alerts: $(HELM) $(MONITORING) ## play the tests of the chart's alerts, and read its dashboard, with Prometheus's own code
	.ci/alerts $(HELM) $(MONITORING) $(CHART)

schemas: ## make the schemas of Kubernetes anew that the chart is held against
	$(GO) run -C tools ./kubeschemas

schemas-diff: ## fail if they are not what is committed
	.ci/unchanged $(MAKE) schemas

vulncheck: $(VULNCHECK) ## code with known vulnerabilities that the service calls; says so where it can't be run
	.ci/vulncheck $(VULNCHECK) .build/vulndb

verify: fmt-check vet lint tidy-diff generate-diff helm-lint alerts conformance race simulation test ## all that CI checks; e2e runs once, for conformance and test

upgrade-check: ## a build of an earlier schema, from its own sources, serves on this one's; FROM=COMMIT takes another. Needs the history
	.ci/upgrade-check $(FROM)

# Beside verify: they compile everything again, need the history, or ask what is newest today.
release-checks: schemas-diff vulncheck sbom reproducible upgrade-check ## what is asked of a release beside verify

##-- tools, pinned in a module of their own

$(LINTER): tools/go.mod tools/go.sum
	$(GO) build -C tools -trimpath -o ../$@ github.com/golangci/golangci-lint/v2/cmd/golangci-lint

$(KUBECONFORM): tools/go.mod tools/go.sum
	$(GO) build -C tools -trimpath -o ../$@ github.com/yannh/kubeconform/cmd/kubeconform

$(MONITORING): $(wildcard tools/monitoring/*.go) tools/monitoring/go.mod tools/monitoring/go.sum
	$(GO) build -C tools/monitoring -trimpath -o ../../$@ .

$(CYCLONEDX): tools/go.mod tools/go.sum
	$(GO) build -C tools -trimpath -o ../$@ github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod

$(VULNCHECK): tools/go.mod tools/go.sum
	$(GO) build -C tools -trimpath -o ../$@ golang.org/x/vuln/cmd/govulncheck

$(HELM): tools/go.mod tools/go.sum
	$(GO) build -C tools -trimpath -o ../$@ helm.sh/helm/v3/cmd/helm
