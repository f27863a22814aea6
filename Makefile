# letthrough: build, try, test. `make demo` and `make test` need git, make, Go, gcc and npm, nothing else.
GO      ?= go
BUNDLE  := static/dist/echarts.min.js
PACKAGES:= static/node_modules/.package-lock.json
FUZZTIME ?= 30s
SPEED   ?= 1

.PHONY: build demo test test-go test-scripts lint bench fuzz assets honest check-demo browser board clean

build: assets
	$(GO) build -o bin/letthrough ./cmd/letthrough

# The simulated bench on real pseudo-terminals; the dashboard's address is printed.
demo: build
	./bin/letthrough demo --speed $(SPEED)

assets: $(BUNDLE)

$(PACKAGES): static/package-lock.json static/package.json
	cd static && npm ci --ignore-scripts --no-audit --no-fund
	@touch $@

$(BUNDLE): $(PACKAGES) static/bundle/echarts.js
	$(GO) tool esbuild static/bundle/echarts.js --bundle --minify --format=iife --global-name=echarts --target=es2020 --log-level=warning --outfile=$@

# The browser's tests run alone: pages that are drawn late are no fault of theirs.
# The browser tests need Chromium, the board program a cross compiler and a simulator: they are installed where
# that is allowed, else what needs them is left out aloud.
test: assets test-scripts browser board
	@if command -v chromium >/dev/null 2>&1; then export LETTHROUGH_NEED_BROWSER=1; fi; \
	if .ci/board --there; then export LETTHROUGH_NEED_BOARD=1; fi; \
	$(GO) test -race -timeout 20m $$($(GO) list ./... | grep -v '/web$$') || exit 1; \
	$(GO) test -race -timeout 20m ./web || exit 1; \
	if ! command -v chromium >/dev/null 2>&1; then .ci/chromium --missing; fi; \
	if ! .ci/board --there; then .ci/board --missing; fi

browser:
	@.ci/chromium

board:
	@.ci/board

test-scripts: $(PACKAGES)
	cd static && node --test test/

lint: assets
	@out="$$(gofmt -l $$(git ls-files '*.go'))"; if [ -n "$$out" ]; then echo "gofmt would change:"; echo "$$out"; exit 1; fi
	$(GO) vet ./...
	$(GO) tool staticcheck ./...
	.ci/vulnerabilities
	cd static && npx --no-install tsc --noEmit -p .

# Speed and memory, each beside a plain implementation of the same work in the same run.
bench: assets
	$(GO) test -run '^$$' -bench . -benchmem ./capture/... ./store/... ./web/... ./cmd/...

# The Monte Carlo that holds every uncertainty against the simulation's truth, at full size; writes the docs' table.
TRIALS ?= 40
honest:
	LETTHROUGH_HONEST=$(TRIALS) $(GO) test -run '^TestHonest$$' -count=1 -timeout 60m -v ./capture/trip

fuzz:
	@for dir in $$(git grep -lE '^func Fuzz' -- '*_test.go' | xargs -n1 dirname | sort -u); do \
	  for f in $$(grep -hoE '^func Fuzz[A-Za-z0-9_]+' $$dir/*_test.go | sed 's/func //'); do \
	    echo "fuzz $$dir $$f"; $(GO) test ./$$dir -run '^$$' -fuzz "^$$f$$" -fuzztime $(FUZZTIME) || exit 1; \
	  done; done

# Every simulated unit once through its pseudo-terminal, its figures held against the simulation's truth.
check-demo: build
	.ci/check-demo ./bin/letthrough

clean:
	rm -rf bin static/dist/echarts.min.js static/node_modules
