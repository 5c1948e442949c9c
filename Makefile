# What a person or a machine asks of holdfast. `make test` is what CI runs.
PY      := /usr/bin/python3
GOBIN   := $(shell go env GOPATH)/bin
STATIC  := honnef.co/go/tools/cmd/staticcheck@v0.8.2
FUZZ    ?= 30s

.PHONY: build test short check oracles race cross full fuzz bench data deps clean

build:
	go build -o bin/holdfast ./cmd/holdfast

# The whole check of a change, from a bare machine: a few minutes on two cores.
test: deps check short oracles race cross

# Debian packages that the oracles need; nothing when they are there already
# or when there is no apt.
deps:
	@$(PY) -c 'import astropy, erfa, scipy' 2>/dev/null || { \
	  command -v apt-get >/dev/null || { echo "make: python3-astropy, python3-erfa and python3-scipy are needed for the oracles"; exit 1; }; \
	  apt-get update -qq && apt-get install -y -qq python3-astropy python3-erfa python3-scipy >/dev/null; }

check:
	@test -z "$$(gofmt -l .)" || { gofmt -l .; echo "make: the files above are not gofmt-ed"; exit 1; }
	go vet ./...
	go run $(STATIC) ./...

short:
	go test -short ./...

# Independent programs recompute the reference tables and must agree with the
# committed ones.
oracles:
	$(PY) internal/sky/testdata/ref/make_ref.py --check

race:
	go test -short -race ./internal/plan ./internal/app

cross:
	CGO_ENABLED=0 GOOS=linux GOARCH=arm go build -o /dev/null ./cmd/holdfast

# Everything, the long studies included.
full: deps check oracles cross
	go test ./...
	go test -race -short ./...
	$(MAKE) fuzz

# Every fuzz target for a bounded time each.
fuzz:
	@for pkg in $$(grep -rl --include='*_test.go' '^func Fuzz' internal | xargs -n1 dirname | sort -u); do \
	  for f in $$(grep -h '^func Fuzz' $$pkg/*_test.go | sed 's/func \(Fuzz[A-Za-z0-9_]*\).*/\1/'); do \
	    echo "$$pkg $$f"; go test -run '^$$' -fuzz "^$$f\$$" -fuzztime $(FUZZ) ./$$pkg || exit 1; done; done

bench:
	go test -run '^$$' -bench . -benchmem ./...

# Rebuild the packed catalogue from its published sources and compare.
data:
	@echo "see docs/star-pack.md"; exit 1

clean:
	rm -rf bin
