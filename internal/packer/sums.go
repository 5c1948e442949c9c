package main

import (
	"crypto/sha256"
	"fmt"
)

// The inputs by name.
const (
	tychoFile     = "index-tycho2-07.littleendian.fits"
	hipparcosFile = "stars.14.json"
	starNamesFile = "starnames.json"
	deepSkyFile   = "dsos.20.json"
	messierFile   = "messier.json"
	deepNamesFile = "dsonames.json"
)

var inputs = []string{tychoFile, hipparcosFile, starNamesFile, deepSkyFile, messierFile, deepNamesFile}

// sums holds the SHA-256 of every input and output.
var sums = map[string]string{
	// Debian package astrometry-data-tycho2-07, version 2-4
	tychoFile: "e21a5087504216b5de81125c0cf6bd89fcad17b5128efd81eac3ab955bf1e622",

	// npm package d3-celestial, version 0.7.35, folder data
	hipparcosFile: "8e76cd774d38f8d232cfccfb0b72d6fba5832d36eeff1f514e46c25423e2ecb8",
	starNamesFile: "044a73db97f45c51e194db64e2555dc295be57897bf9da90bc3781dcd17ba216",
	deepSkyFile:   "2a723985ede6e3514df99773e126a34cb3ceeadb24340f2eb6b81e7bf86d21c0",
	messierFile:   "b576a9ef2ff1e3e81af49779c76ceecdf1e2f88b7bd7d21736fa9d590c9cb2b4",
	deepNamesFile: "251914f7c2d0bb4a6dc41bc2d333fde3c578939979d3d6ab0157a5b7cdde3741",

	// what is built from them
	"stars.pack": "f58657223e43f5d40c69dd459ba9bd54d9079972e220fbca9600ff06f61e3e34",
	"names.tsv":  "c53cd79ae5d383ff1a3ba3daf830c103c72b2b8a6df37350c19409b0d434a558",
}

// known returns an error unless data has the sum listed under name.
func known(name string, data []byte) error {
	if got := fmt.Sprintf("%x", sha256.Sum256(data)); got != sums[name] {
		return fmt.Errorf("SHA-256 is %s, want %s", got, sums[name])
	}
	return nil
}
