# What a person or a machine asks of holdfast. `make test` is what CI runs.
PY      := /usr/bin/python3
GOBIN   := $(shell go env GOPATH)/bin
STATIC  := honnef.co/go/tools/cmd/staticcheck@v0.8.2
UI      := internal/web/ui
FUZZ    ?= 30s

.PHONY: build test short check pages pages-check pictures oracles oracles-all race cross full fuzz bench data data-check sources deps clean

build:
	go build -o bin/holdfast ./cmd/holdfast

# The whole check of a change, from a bare machine: a few minutes on two cores.
test: deps check pages-check short oracles race cross

# Debian packages that the oracles need; nothing when they are there already
# or when there is no apt.
deps:
	@$(PY) -c 'import astropy, erfa, scipy' 2>/dev/null || { \
	  command -v apt-get >/dev/null || { echo "make: python3-astropy, python3-erfa and python3-scipy are needed for the oracles"; exit 1; }; \
	  apt-get update -qq && apt-get install -y -qq python3-astropy python3-erfa python3-scipy >/dev/null; }
	@$(PY) -c 'import photutils, sep' 2>/dev/null || ! command -v apt-get >/dev/null || \
	  apt-get install -y -qq python3-photutils python3-sep >/dev/null || echo "make: without photutils and sep less is compared"

	@command -v chromium >/dev/null || ! command -v apt-get >/dev/null || { apt-get update -qq && apt-get install -y -qq chromium >/dev/null; }
	@test -f $(UI)/node_modules/.package-lock.json -a ! $(UI)/package-lock.json -nt $(UI)/node_modules/.package-lock.json || (cd $(UI) && npm ci --silent)

# The pages as the binary carries them, from their sources.
pages:
	$(UI)/node_modules/.bin/tsc -p $(UI)
	go run ./internal/webbuild

pages-check:
	$(UI)/node_modules/.bin/tsc -p $(UI)
	go run ./internal/webbuild -check

# The README's pictures, as a browser shows them.
pictures:
	@mkdir -p build/shots docs/pictures
	HOLDFAST_SHOTS=$(abspath build/shots) go test -count=1 -run 'TestPages/star-desktop-paper|TestFocusDropped' ./internal/web
	cp build/shots/star-desktop-paper.png docs/pictures/star.png
	cp build/shots/fitting-focus-phone-night.png docs/pictures/fitting-night.png

check:
	@test -z "$$(gofmt -l .)" || { gofmt -l .; echo "make: the files above are not gofmt-ed"; exit 1; }
	go vet ./...
	go run $(STATIC) ./...

short:
	go test -short ./...

# Independent programs recompute reference tables and must agree with the
# committed ones: here those that take seconds, all of them in oracles-all.
oracles: build
	$(PY) internal/sky/testdata/ref/make_ref.py --check star body
	$(PY) internal/loop/testdata/night.py --check
	$(PY) internal/synth/testdata/ref/frame.py --check
	$(PY) internal/solve/testdata/ref/wcs.py --check
	$(PY) internal/fitting/testdata/discs/discs.py --check
	$(PY) internal/star/testdata/ref/grid.py bin/holdfast

oracles-all: build
	$(PY) internal/sky/testdata/ref/make_ref.py --check
	$(PY) internal/loop/testdata/night.py --check
	$(PY) internal/psf/testdata/ref/waves.py --check
	$(PY) internal/psf/testdata/ref/stars.py >/dev/null
	git diff --exit-code -- internal/psf/testdata/ref
	$(PY) internal/synth/testdata/ref/frame.py --check
	$(PY) internal/star/testdata/ref/stars.py --check
	$(PY) internal/star/testdata/ref/grid.py bin/holdfast --all
	$(PY) internal/star/testdata/ref/agree.py bin/holdfast

race:
	go test -short -race -skip 'Agrees|TablesAndPixels|Rehearse' ./internal/plan ./internal/app
	go test -short -race -run "Workers|Field" ./internal/star

cross:
	CGO_ENABLED=0 GOOS=linux GOARCH=arm go build -o /dev/null ./cmd/holdfast

# Everything, the long studies included.
full: deps check oracles-all cross
	go test ./...
	go test -race -short ./...
	$(MAKE) fuzz

# Every fuzz target for a bounded time each.
fuzz:
	@for pkg in $$(grep -rl --include='*_test.go' '^func Fuzz' internal | xargs -n1 dirname | sort -u); do \
	  for f in $$(grep -h '^func Fuzz' $$pkg/*_test.go | sed 's/func \(Fuzz[A-Za-z0-9_]*\).*/\1/'); do \
	    echo "$$pkg $$f"; go test -run '^$$' -fuzz "^$$f\$$" -fuzztime $(FUZZ) ./$$pkg || exit 1; done; done

# Other programs that measure stars on the same frames, which are drawn when
# they are missing: how fast holdfast is beside them, and how good; then the
# benchmarks.
PEERS ?= build/peers
bench: build
	@command -v source-extractor >/dev/null || ! command -v apt-get >/dev/null || { apt-get update -qq && apt-get install -y -qq source-extractor python3-astropy python3-scipy python3-photutils python3-sep >/dev/null; } || echo "make: without source-extractor less is compared"
	$(PY) internal/star/testdata/peers/frames.py $(PEERS)
	HOLDFAST_PEERS=$(abspath $(PEERS)) go test -count=1 -run TestPeers -v ./internal/star
	$(PY) internal/star/testdata/peers/compare.py bin/holdfast $(PEERS)
	go test -run '^$$' -bench . -benchmem ./...

# The packed catalogue from its published sources, which are checked by their
# SHA-256, as is what is built. `make data` writes it, `make data-check` compares.
TYCHO      ?= /usr/share/astrometry/index-tycho2-07.littleendian.fits
CELESTIAL  ?= build/celestial/package/data
PACK        = go run ./internal/packer -tycho $(TYCHO) -celestial $(CELESTIAL) -out internal/catalog

data: sources
	$(PACK)

data-check: sources
	$(PACK) -check

sources:
	@test -f $(TYCHO) || { apt-get update -qq && apt-get install -y -qq astrometry-data-tycho2-07 >/dev/null; }
	@test -d $(CELESTIAL) || { mkdir -p build/celestial && cd build/celestial && npm pack --silent d3-celestial@0.7.35 >/dev/null && tar xzf d3-celestial-0.7.35.tgz; }

clean:
	rm -rf bin build
