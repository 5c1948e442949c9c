package web

import (
	"strings"
	"testing"
)

// TestExample: one press invents a night with flexure in it, and the page names
// flexure, here and after a restart, on the first page and on the proof.
func TestExample(t *testing.T) {
	keep := t.TempDir()
	in := func(c *Config) { c.Keep = keep }
	p := open(t, served(t, in), "/", desktop, "paper")
	p.await(`document.querySelector("h1")`)
	eval[bool](p, `[...document.querySelectorAll("button")].find(b => b.textContent.includes("example")).click() || true`)
	p.await(`document.querySelector(".first .verdict")`)
	named := func(p *tab, where string) {
		t.Helper()
		if got := eval[string](p, `document.querySelector(".verdict").innerText`); !strings.Contains(got, "bends away") {
			t.Errorf("%s: the night bends the guide telescope by 60 arcsec/h, and the page says: %s", where, got)
		}
	}
	named(p, "the first page")
	p.shot("first-answered-desktop-paper")
	p.accessible()
	p.quietly()

	for _, look := range []struct {
		size  size
		dress string
		name  string
	}{{desktop, "paper", "desktop-paper"}, {phone, "night", "phone-night"}} {
		p = open(t, served(t, in), "/proof", look.size, look.dress) // another server on the same keep
		p.await(`document.querySelector(".causes li")`)
		named(p, "after a restart")
		eval[bool](p, `document.querySelector(".subs .plain").click() || true`)
		p.await(`document.querySelector(".viewer figcaption")?.innerText.includes("out of round")`)
		shot := p.shot("proof-answered-" + look.name)
		p.fits()
		p.accessible()
		p.quietly()
		if look.dress == "night" {
			p.red(shot)
		}
	}
}
