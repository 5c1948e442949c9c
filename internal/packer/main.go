// Packer builds the data that the catalogue embeds, from the open lists named
// in docs/star-pack.md:
//
//	go run ./internal/packer -tycho FILE -celestial DIR -out internal/catalog
//
// With -check it writes nothing and only compares what it would write with
// what is there. The same inputs give the same bytes; both are held against
// the sums in sums.go.
package main

import (
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"holdfast/internal/catalog"
)

func main() {
	tycho := flag.String("tycho", "/usr/share/astrometry/index-tycho2-07.littleendian.fits", "the Tycho-2 index `file`")
	celestial := flag.String("celestial", "", "the `directory` of stars.14.json, starnames.json, dsos.20.json, messier.json and dsonames.json")
	out := flag.String("out", "internal/catalog", "the `directory` to write stars.pack and names.tsv to")
	check := flag.Bool("check", false, "write nothing; compare with the files in -out")
	flag.Parse()
	if err := run(*tycho, *celestial, *out, *check); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(tycho, celestial, out string, check bool) error {
	in := map[string][]byte{}
	for _, name := range inputs {
		path := filepath.Join(celestial, name)
		if name == tychoFile {
			path = tycho
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("packer: %w", err)
		}
		if err := known(name, data); err != nil {
			return fmt.Errorf("packer: %s: %w", path, err)
		}
		in[name] = data
	}
	stars, list, err := build(in)
	if err != nil {
		return err
	}
	for _, f := range []struct {
		name string
		data []byte
	}{{"stars.pack", stars}, {"names.tsv", list}} {
		if err := known(f.name, f.data); err != nil {
			return fmt.Errorf("packer: %s as built: %w", f.name, err)
		}
		path := filepath.Join(out, f.name)
		if !check {
			if err := os.WriteFile(path, f.data, 0o644); err != nil {
				return fmt.Errorf("packer: %w", err)
			}
			continue
		}
		there, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("packer: %w", err)
		}
		if !bytes.Equal(there, f.data) {
			return fmt.Errorf("packer: %s differs from what its sources give; build it again without -check", path)
		}
	}
	return nil
}

// build returns the star pack and the list of names made from the inputs.
func build(in map[string][]byte) (pack, list []byte, err error) {
	stars, err := readTycho(in[tychoFile])
	if err != nil {
		return nil, nil, err
	}
	cut, err := limits(stars, catalog.LimitSide)
	if err != nil {
		return nil, nil, err
	}
	hipparcos, err := readHipparcos(in[hipparcosFile])
	if err != nil {
		return nil, nil, err
	}
	all, count := merge(placed(stars), hipparcos)
	fmt.Printf("Hipparcos: %d found in Tycho-2, %d of these moved, %d added\n", count.matched+count.replaced, count.replaced, count.added)
	pack, err = catalog.Encode(all, catalog.Zones, cut, catalog.LimitSide, catalog.Source{
		Tycho: sha256.Sum256(in[tychoFile]), Hipparcos: sha256.Sum256(in[hipparcosFile]),
	})
	if err != nil {
		return nil, nil, err
	}
	sum, err := catalog.Verify(pack)
	if err != nil {
		return nil, nil, err
	}
	fmt.Printf("stars.pack: %d stars, %d with a place from Hipparcos, %d zones, %d cells, %d of %d HEALPix cells cut, %d bytes\n",
		sum.Stars, sum.Hipparcos, sum.Zones, sum.Cells, sum.Cut, len(cut), len(pack))
	list, err = names(in, hipparcos)
	return pack, list, err
}
