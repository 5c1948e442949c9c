// Command webbuild bundles the pages: the TypeScript and styles of internal/web/ui
// into internal/web/assets, which the binary embeds. With -check it writes
// nothing and fails where the bundle that is there is not what it would write.
// What npm installs must be there; Node is not needed.
package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"github.com/evanw/esbuild/pkg/api"
)

func main() {
	check := flag.Bool("check", false, "compare with the bundle that is there")
	flag.Parse()
	if err := run("internal/web/ui", "internal/web/assets", *check); err != nil {
		fmt.Fprintf(os.Stderr, "webbuild: %v\n", err)
		os.Exit(1)
	}
}

// faces are the fonts, and what the bundle calls them.
var faces = map[string]string{
	"node_modules/@fontsource/b612/files/b612-latin-400-normal.woff2":                               "b612.woff2",
	"node_modules/@fontsource/b612/files/b612-latin-700-normal.woff2":                               "b612-bold.woff2",
	"node_modules/@fontsource-variable/source-serif-4/files/source-serif-4-latin-wght-normal.woff2": "source-serif-4.woff2",
}

// run bundles src into dst.
func run(src, dst string, check bool) error {
	files := map[string][]byte{}
	for from, to := range faces {
		b, err := os.ReadFile(filepath.Join(src, from))
		if err != nil {
			return fmt.Errorf("%w: run npm ci in %s", err, src)
		}
		files[to] = b
	}
	b, err := os.ReadFile(filepath.Join(src, "index.html"))
	if err != nil {
		return err
	}
	files["index.html"] = b
	abs, err := filepath.Abs(src)
	if err != nil {
		return err
	}
	for _, entry := range []string{"app.tsx", "dress.ts", "app.css"} {
		res := api.Build(api.BuildOptions{
			EntryPoints: []string{entry}, AbsWorkingDir: abs, Outdir: "out", Bundle: true, Write: false, LogLevel: api.LogLevelWarning,
			MinifySyntax: true, MinifyWhitespace: true, MinifyIdentifiers: true, LegalComments: api.LegalCommentsNone,
			Target: api.ES2022, Format: api.FormatESModule, JSX: api.JSXAutomatic, JSXImportSource: "preact", External: []string{"*.woff2"}, Charset: api.CharsetUTF8,
		})
		if len(res.Errors) > 0 {
			return fmt.Errorf("%s: %d errors", entry, len(res.Errors))
		}
		for _, f := range res.OutputFiles {
			files[filepath.Base(f.Path)] = f.Contents
		}
	}
	for name, b := range files {
		path := filepath.Join(dst, name)
		if check {
			old, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			if !bytes.Equal(old, b) {
				return fmt.Errorf("%s is not what %s makes: run make pages", path, src)
			}
			continue
		}
		if err := os.MkdirAll(dst, 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			return err
		}
	}
	return nil
}
