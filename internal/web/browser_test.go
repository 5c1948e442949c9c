package web

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// browser is one headless Chromium for the tests of a run.
var browser = sync.OnceValues(func() (context.Context, error) {
	path, err := exec.LookPath("chromium")
	if err != nil {
		return nil, err
	}
	ctx, _ := chromedp.NewExecAllocator(context.Background(), chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Headless, chromedp.NoFirstRun, chromedp.DisableGPU,
		chromedp.Flag("force-color-profile", "srgb"), chromedp.Flag("hide-scrollbars", true))
	ctx, _ = chromedp.NewContext(ctx)
	return ctx, chromedp.Do(ctx, chromedp.Navigate("about:blank"))
})

// evening is when the pages of a test are looked at: a fixed instant, before
// dusk where the example rig stands.
var evening = time.Date(2026, 8, 15, 1, 0, 0, 0, time.UTC)

// pages at a size.
type size struct{ w, h int64 }

var (
	desktop = size{1440, 900}
	tablet  = size{820, 1180}
	phone   = size{360, 740}
)

// tab is a page in a browser, with what went wrong on it.
type tab struct {
	testing.TB
	ctx context.Context
	url string

	mu     sync.Mutex
	errors []string
}

// served starts a server on the example rig and returns its address.
func served(t testing.TB, more ...func(*Config)) string {
	t.Helper()
	cfg := Config{Rig: "../../examples/larkspur.toml", Addr: "127.0.0.1:0", Keep: t.TempDir(), Version: "test", Now: func() time.Time { return evening }}
	for _, m := range more {
		m(&cfg)
	}
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ready := make(chan string)
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, func(url string) { ready <- url }) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("the server ended with: %v", err)
		}
	})
	select {
	case url := <-ready:
		return strings.TrimSuffix(url, "/")
	case err := <-ended:
		ended <- nil
		t.Fatal(err)
		return ""
	}
}

// open opens a page of a server.
func open(t testing.TB, base, path string, sz size, dress string) *tab {
	t.Helper()
	parent, err := browser()
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("no browser: %v", err)
		}
		t.Skipf("1 page not looked at: no chromium on this machine: %v", err)
	}
	p := &tab{TB: t, url: base}
	ctx, cancel := chromedp.NewContext(parent)
	t.Cleanup(cancel)
	p.ctx = ctx
	// The tab lives as long as the context of its first step, which may
	// therefore have no deadline.
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(sz.w, sz.h)); err != nil {
		t.Fatal(err)
	}
	go func() {
		for m, err := range chromedp.Console(ctx) {
			if err != nil {
				return
			}
			if m.IsException() || m.Type == "error" {
				p.mu.Lock()
				p.errors = append(p.errors, m.Text)
				p.mu.Unlock()
			}
		}
	}()
	p.do(chromedp.Navigate(base + path + "?dress=" + dress))
	p.await(`document.querySelector("main")`)
	return p
}

// do runs steps and ends the test where one fails.
func (p *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	p.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, 20*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		p.Fatal(err)
	}
}

// eval evaluates an expression of the page, or awaits a promise.
func eval[R any](p *tab, expression string) R {
	p.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, 20*time.Second)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[R](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		p.Fatalf("%.120s: %v", expression, err)
	}
	return v
}

// await waits until an expression of the page is true.
func (p *tab) await(expression string) {
	p.Helper()
	deadline := time.Now().Add(60 * time.Second)
	for !eval[bool](p, "!!("+expression+")") {
		if time.Now().After(deadline) {
			p.shot("stuck")
			p.Fatalf("waited long for %s; the page says: %.2000s", expression, eval[string](p, "document.body.innerText"))
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// shot takes a picture of the whole page. With HOLDFAST_SHOTS set it is written
// there.
func (p *tab) shot(name string) []byte {
	p.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, 20*time.Second)
	defer cancel()
	b, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		p.Fatal(err)
	}
	if dir := os.Getenv("HOLDFAST_SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".png"), b, 0o644); err != nil {
			p.Fatal(err)
		}
	}
	return b
}

// quietly fails where the console showed an error.
func (p *tab) quietly() {
	p.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, e := range p.errors {
		p.Errorf("console: %s", e)
	}
}

// accessible fails where axe-core finds something.
func (p *tab) accessible() {
	p.Helper()
	axe, err := os.ReadFile("ui/node_modules/axe-core/axe.min.js")
	if err != nil {
		if os.Getenv("CI") != "" {
			p.Fatalf("no axe-core: %v", err)
		}
		p.Logf("accessibility not looked at: run npm ci in internal/web/ui")
		return
	}
	// The page's policy lets no other script in; the browser's own does.
	eval[bool](p, string(axe)+"\n;true")
	for _, v := range eval[[]string](p, `axe.run(document, {resultTypes: ["violations"]}).then(r => r.violations.flatMap(v => v.nodes.slice(0, 3).map(n => v.id + ": " + v.help + ": " + n.target.join(" ") + ": " + (n.failureSummary || ""))))`) {
		p.Errorf("axe: %s", v)
	}
}

// fits fails where the page is wider than the screen.
func (p *tab) fits() {
	p.Helper()
	if wide := eval[int](p, "document.documentElement.scrollWidth - document.documentElement.clientWidth"); wide > 1 {
		p.Errorf("the page is %d px wider than the screen: %s", wide, eval[string](p, `[...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > innerWidth + 1).slice(0, 5).map(e => e.tagName + "." + e.className).join(", ")`))
	}
}

// mostGreen is how bright green and blue may be by night, of 255: 6 %.
const mostGreen = 15

// red fails where a picture has green or blue in it.
func (p *tab) red(shot []byte) {
	p.Helper()
	img, err := png.Decode(bytes.NewReader(shot))
	if err != nil {
		p.Fatal(err)
	}
	b := img.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			_, g, bl, _ := img.At(x, y).RGBA()
			if g>>8 > mostGreen || bl>>8 > mostGreen {
				p.Errorf("by night the pixel at %d, %d has green %d and blue %d of 255", x, y, g>>8, bl>>8)
				return
			}
		}
	}
}

// settled says of each page when it has come to rest.
var settled = map[string]string{
	"/":        `document.querySelector("h1")`,
	"/star":    `document.querySelector(".gains tbody tr") && !document.querySelector(".stale")`,
	"/path":    `document.querySelector(".findings li")`,
	"/sky":     `document.querySelector(".stars tbody tr")`,
	"/fitting": `document.querySelector("h1")`,
	"/proof":   `document.querySelector("h1")`,
}

// TestPages looks at every page in both dresses: at three sizes, in short tests
// at the largest and the smallest.
func TestPages(t *testing.T) {
	base := served(t)
	sizes := map[string]size{"desktop": desktop, "tablet": tablet, "phone": phone}
	if testing.Short() {
		delete(sizes, "tablet")
	}
	for path, rest := range settled {
		for sizeName, sz := range sizes {
			for _, dress := range []string{"paper", "night"} {
				name := fmt.Sprintf("%s-%s-%s", cmp.Or(path[1:], "first"), sizeName, dress)
				t.Run(name, func(t *testing.T) {
					p := open(t, base, path, sz, dress)
					p.await(rest)
					eval[bool](p, "document.fonts.ready.then(() => true)")
					shot := p.shot(name)
					p.fits()
					p.accessible()
					p.quietly()
					if dress == "night" {
						p.red(shot)
					}
				})
			}
		}
	}
}

// BenchmarkSlider is from a hand's move of a slider to the paint of the star it
// makes: the 50th and the 95th percentile of the moves.
func BenchmarkSlider(b *testing.B) {
	p := open(b, served(b), "/star", desktop, "paper")
	p.await(settled["/star"])
	moves := eval[[]float64](p, fmt.Sprintf(`(async () => {
		const slider = document.querySelectorAll(".sliders input")[1], star = document.querySelector(".sheet .drawing");
		const painted = () => new Promise(done => requestAnimationFrame(() => { const c = new MessageChannel(); c.port1.onmessage = done; c.port2.postMessage(0); }));
		const took = [];
		for (let i = 0; i < %d; i++) {
			const changed = new Promise(done => { const o = new MutationObserver(() => { o.disconnect(); done(); }); o.observe(star, {childList: true, subtree: true}); });
			const begun = performance.now();
			slider.value = String(60 + (i * 37) %% 80);
			slider.dispatchEvent(new Event("input", {bubbles: true}));
			await changed; await painted();
			took.push(performance.now() - begun);
			await new Promise(done => setTimeout(done, 30));
		}
		return took.sort((a, b) => a - b);
	})()`, max(b.N, 20)))
	b.ReportMetric(moves[len(moves)/2], "p50-ms")
	b.ReportMetric(moves[len(moves)*95/100], "p95-ms")
}
