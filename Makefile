# Two commands matter: "make run" shows the demonstration, "make test" proves the
# whole. Both install what they need on a machine that has Go, Node and apt.

PAGE  := dashboard/page
BUILT := $(PAGE)/dist/index.html
SPEED ?= 60

.PHONY: run build page test test-go test-page test-browser lint bench campaign chaos skill fuzz clean tools

run: build
	./bin/ashlamp demo --speed $(SPEED)

build: bin/ashlamp

bin/ashlamp: $(BUILT) FORCE
	CGO_ENABLED=0 go build -trimpath -ldflags=-s -o $@ ./daemon

FORCE:

page: $(BUILT)

$(PAGE)/node_modules/.package-lock.json: $(PAGE)/package-lock.json $(PAGE)/package.json
	cd $(PAGE) && npm ci --no-audit --no-fund
	touch $@

$(BUILT): $(PAGE)/node_modules/.package-lock.json $(shell find $(PAGE)/src $(PAGE)/public $(PAGE)/index.html $(PAGE)/vite.config.ts dashboard/openapi/openapi.json -type f 2>/dev/null)
	cd $(PAGE) && npm run build
	touch $(PAGE)/dist/.keep

# The real parts that tests talk to: a broker, a browser, a time-series store, a mail
# server, what reads a report, and what signs a second time.
tools:
	@missing=""; \
	command -v chromium >/dev/null || missing="$$missing chromium"; \
	test -x /usr/sbin/mosquitto || missing="$$missing mosquitto"; \
	command -v victoria-metrics >/dev/null || missing="$$missing victoria-metrics"; \
	command -v pdftotext >/dev/null || missing="$$missing poppler-utils"; \
	test -x /usr/sbin/exim4 || missing="$$missing exim4-daemon-light"; \
	command -v openssl >/dev/null || missing="$$missing openssl"; \
	if [ -n "$$missing" ]; then \
		echo "installing$$missing"; \
		apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing >/dev/null; \
	fi

test: tools build test-go test-page test-browser

test-go: tools $(BUILT)
	go test ./...

test-page: $(PAGE)/node_modules/.package-lock.json
	cd $(PAGE) && npm test

test-browser: tools build
	cd $(PAGE) && ASHLAMP_BIN=$(CURDIR)/bin/ashlamp npm run test:browser

lint: $(BUILT)
	@unformatted=$$(gofmt -l $$(git ls-files '*.go')); \
	if [ -n "$$unformatted" ]; then echo "gofmt: $$unformatted"; exit 1; fi
	go vet ./...
	go tool staticcheck ./...
	cd $(PAGE) && npm run check

# Figures beside a raw ceiling of the same run; nothing passes or fails by time.
bench: tools build
	go test -run '^$$' -bench . -benchmem ./rules/... ./ingest/... ./dashboard/... ./hardware/... ./simulators/...
	go test -run '^$$' -bench Ring -benchtime 1x ./daemon
	go run ./simulators/load -bin bin/ashlamp
	go run ./simulators/tablets -bin bin/ashlamp
	cd $(PAGE) && ASHLAMP_BIN=$(CURDIR)/bin/ashlamp npm run --silent measure && npm run --silent measure:years

# N disposals with faults, judged beside the truth; the report is campaign.md. The
# last line is the campaign's figures.
N ?= 2000
SEED ?= 1
campaign:
	@go run ./simulators/campaign -n $(N) -seed $(SEED)

# How well the forecasts do, on evenings that nothing was fitted to.
SKILL ?= -n 2000 -engines 150
skill:
	@go run ./simulators/skill $(SKILL)

# Causes that ring while networks, servers and the daemon itself are killed at random.
CAUSES ?= 1000
chaos: tools $(BUILT)
	@ASHLAMP_CHAOS=$(CAUSES) go test ./daemon -run '^TestChaos$$' -count=1 -v -timeout 30m

# Every parser, each for so long; it stops at the first input that breaks one.
FUZZTIME ?= 2m
fuzz:
	@for p in $$(go list ./...); do \
		for f in $$(go test -list '^Fuzz' $$p | grep '^Fuzz'); do \
			echo "$$p $$f"; \
			go test -run '^$$' -fuzz "^$$f\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 20x $$p || exit 1; \
		done; \
	done

clean:
	rm -rf bin $(PAGE)/node_modules $(PAGE)/dist/assets $(PAGE)/dist/index.html
