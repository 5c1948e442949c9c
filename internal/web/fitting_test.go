package web

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// dropped gives files to the first place of a page that takes frames.
func (p *tab) dropped(files ...string) {
	p.Helper()
	p.await(`document.querySelector(".pick input[type=file]")`)
	p.do(chromedp.SetUploadFiles(chromedp.CSS(".pick input[type=file]"), files, chromedp.NodeReady))
}

// to goes to a step of the fitting.
func (p *tab) to(step string) {
	p.Helper()
	p.await(`document.querySelector(".steps .plain")`)
	eval[bool](p, `[...document.querySelectorAll(".steps .plain")].find(b => b.textContent.includes("`+step+`")).click() || true`)
	p.await(`document.querySelector(".step h1").textContent.includes("` + step + `")`)
}

// TestFocusDropped: a frame that is dropped gets its focus answer, which fills
// the screen when it is asked to, and is there after a restart.
func TestFocusDropped(t *testing.T) {
	// Drawn with astropy by discs.py, beside it.
	focusDropped(t, "../fitting/testdata/discs/f7_far.fits.gz")
}

// TestRealFocusDropped is TestFocusDropped on a real frame.
func TestRealFocusDropped(t *testing.T) {
	data := os.Getenv("HOLDFAST_DATA")
	if data == "" {
		data = "../../../shared/data"
	}
	frames, err := filepath.Glob(filepath.Join(data, "focus_14inch", "run*", "*.fit*"))
	if err != nil || len(frames) == 0 {
		t.Skip("1 test of a dropped frame: no real frames on this machine (HOLDFAST_DATA)")
	}
	focusDropped(t, frames[0])
}

func focusDropped(t *testing.T, name string) {
	t.Helper()
	frame, err := filepath.Abs(name)
	if err != nil {
		t.Fatal(err)
	}
	keep := t.TempDir()
	in := func(c *Config) { c.Keep = keep }
	p := open(t, served(t, in), "/fitting", phone, "night")
	p.to("Focus")
	p.dropped(frame)
	p.await(`document.querySelector(".answer .head")`)
	said := eval[string](p, `document.querySelector(".answer .head").innerText`)
	if said == "" {
		t.Error("the answer is empty")
	}
	t.Logf("the page says: %s", said)
	shot := p.shot("fitting-focus-phone-night")
	p.fits()
	p.accessible()
	p.red(shot)
	eval[bool](p, `[...document.querySelectorAll(".answer button")].find(b => b.textContent.includes("Far sight")).click() || true`)
	p.await(`document.querySelector(".farsight .figure")`)
	far := p.shot("farsight-phone-night")
	p.red(far)
	p.accessible()
	p.quietly()

	p = open(t, served(t, in), "/fitting", desktop, "paper")
	p.await(`document.querySelector(".answer .head")`)
	if again := eval[string](p, `document.querySelector(".answer .head").innerText`); again != said {
		t.Errorf("after a restart the page says %q, before %q", again, said)
	}
	p.shot("fitting-focus-desktop-paper")
	p.quietly()
}

// TestWatched: a frame that lands in a watched folder is told once it is whole.
func TestWatched(t *testing.T) {
	in := t.TempDir()
	base := served(t, func(c *Config) { c.Folders = []string{in} })
	p := open(t, base, "/fitting", desktop, "paper")
	eval[bool](p, `(window.landed = [], window.source = new EventSource("/api/watch?path=`+filepath.Base(in)+`"), source.onmessage = m => landed.push(m.data), true)`)
	p.await(`source.readyState === 1`)
	name := filepath.Join(in, "new.fits")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for range 6 { // still being written for longer than the folder is looked at
		if _, err := f.Write(make([]byte, 1000)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(400 * time.Millisecond)
		if n := eval[int](p, "landed.length"); n != 0 {
			t.Fatal("told while it was still being written")
		}
	}
	p.await(`landed.length === 1 && landed[0].endsWith("/new.fits")`)
	time.Sleep(2500 * time.Millisecond)
	if n := eval[int](p, "landed.length"); n != 1 {
		t.Errorf("told %d times, want once", n)
	}
	p.quietly()
}
