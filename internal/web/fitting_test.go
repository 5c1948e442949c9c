package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"holdfast/internal/app"
	"holdfast/internal/testkit"
)

// guideOff is how far from focus the guide camera of the blurred night is.
const guideOff = 1500 // um

// small are entries that make the example's imaging camera small, so that a
// night is drawn quickly.
var small = []string{"imaging.camera.width=1200 px", "imaging.camera.height=900 px"}

// nights are where rehearsed nights are written.
var nights = sync.OnceValues(func() (string, error) { return os.MkdirTemp("", "nights-*") })

// night returns what rehearses a night of the example rig, once.
func night(name, target, sub string, subs int, faults ...string) func() (string, error) {
	return sync.OnceValues(func() (string, error) {
		dir, err := nights()
		if err != nil {
			return "", err
		}
		out := filepath.Join(dir, name)
		_, err = app.Rehearsal{
			Task: app.Task{Rig: "../../examples/larkspur.toml", Set: small, Target: target, Date: "2026-08-14", Sub: sub, Seed: 5},
			Subs: subs, Exact: true, Out: out, Faults: faults,
		}.Rehearse(context.Background())
		return out, err
	})
}

// The rehearsed nights: one as it should be, one whose guide camera is out of
// focus, and one of another field.
var (
	sharp   = night("sharp", "M27", "20 s", 3)
	blurred = night("blurred", "M27", "5 s", 3, fmt.Sprintf("guide_focus: %d um", guideOff))
	aside   = night("aside", "300.8 +23.4", "5 s", 1) // whose guide frame is not where sharp points
)

// TestMain removes the rehearsed nights.
func TestMain(m *testing.M) {
	code := m.Run()
	if dir, err := nights(); err == nil {
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

// of returns the frames of a kind of a rehearsed night.
func of(t *testing.T, night func() (string, error), kind string) []string {
	t.Helper()
	dir, err := night()
	if err != nil {
		t.Fatal(err)
	}
	frames, err := filepath.Glob(filepath.Join(dir, kind, "*.fits"))
	if err != nil || len(frames) == 0 {
		t.Fatalf("no frames in %s: %v", kind, err)
	}
	return frames
}

// dropped gives files to the place of a page, counted from 0, that takes frames.
func (p *tab) dropped(place int, files ...string) {
	p.Helper()
	p.await(fmt.Sprintf(`document.querySelectorAll(".pick input[type=file]").length > %d`, place))
	eval[bool](p, fmt.Sprintf(`document.querySelectorAll(".pick input[type=file]").forEach((e, i) => e.classList.toggle("dropped-here", i === %d)) || true`, place))
	p.do(chromedp.SetUploadFiles(chromedp.CSS("input.dropped-here"), files, chromedp.NodeReady))
}

// press presses the first button whose text holds a text.
func (p *tab) press(within, text string) {
	p.Helper()
	p.await(fmt.Sprintf(`[...document.querySelectorAll(%q)].some(b => b.textContent.includes(%q))`, within+" button", text))
	eval[bool](p, fmt.Sprintf(`[...document.querySelectorAll(%q)].find(b => b.textContent.includes(%q)).click() || true`, within+" button", text))
}

// to goes to a step of the fitting.
func (p *tab) to(step string) {
	p.Helper()
	p.press(".steps .lists", step)
	p.await(fmt.Sprintf(`document.querySelector(".step h1") && document.querySelector(".step h1").textContent.includes(%q)`, step))
}

// said returns the head of the answer.
func (p *tab) said() string {
	p.Helper()
	p.await(`document.querySelector(".answer:not(.former) .head")`)
	return eval[string](p, `document.querySelector(".answer .head").innerText`)
}

// turnsSaid returns the turns that a head tells.
func turnsSaid(t *testing.T, head string) float64 {
	t.Helper()
	m := regexp.MustCompile(`^([0-9.]+) turns to go`).FindStringSubmatch(head)
	if m == nil {
		t.Fatalf("the page says %q: want turns to go", head)
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestFocusDropped: a rendered frame out of focus that is dropped gets its turns,
// which fill the screen when they are asked to; what the page remembers is there
// after the server was stopped and started again.
func TestFocusDropped(t *testing.T) {
	keep := t.TempDir()
	frames := of(t, blurred, "guide")
	first, stop := stoppable(t, func(c *Config) { c.Keep = keep })
	p := open(t, first, "/fitting", phone, "night")
	p.to("Focus")
	shot := p.shot("fitting-focus-empty-phone-night")
	p.fits()
	p.accessible()
	p.red(shot)
	p.dropped(0, frames[0])
	said := p.said()
	// Larkspur's focuser: 0.75 mm a turn.
	testkit.NearRel(t, turnsSaid(t, said), guideOff/1000.0/0.75, 0.1, "the fault that the night was rehearsed with")
	shot = p.shot("fitting-focus-phone-night")
	p.fits()
	p.accessible()
	p.red(shot)

	p.press(".answer", "Far sight")
	p.await(`document.querySelector(".farsight[open] .figure")`)
	if figure := eval[string](p, `document.querySelector(".farsight .figure").innerText`); !strings.HasPrefix(said, figure) {
		t.Errorf("from afar it says %q, near by %q", figure, said)
	}
	if high := eval[float64](p, `document.querySelector(".farsight .figure").getBoundingClientRect().height / innerHeight`); high < 0.15 {
		t.Errorf("the figure is %.2f of the screen high, want it readable from metres away", high)
	}
	p.press(".farsight", "tone")
	p.await(`document.querySelector(".farsight button[aria-pressed=true]")`)
	time.Sleep(400 * time.Millisecond) // the figure has come to rest
	shot = p.shot("farsight-phone-night")
	p.red(shot)
	p.accessible()
	p.press(".farsight", "width")
	p.await(`document.querySelector(".farsight .word").innerText === "pixels wide"`)
	p.do(chromedp.KeyEvent("\u001b"))
	p.await(`!document.querySelector(".farsight")`)
	eval[bool](p, `document.querySelector(".ends input").click() || true`)
	p.await(`document.querySelector(".steps .ticked")`)
	time.Sleep(400 * time.Millisecond) // the note is sent once the hand has rested
	p.quietly()
	stop()

	second, _ := stoppable(t, func(c *Config) { c.Keep = keep })
	p = open(t, second, "/fitting", desktop, "paper")
	if again := p.said(); again != said {
		t.Errorf("after a restart the page says %q, before %q", again, said)
	}
	if !eval[bool](p, `document.querySelector(".steps .ticked[aria-current]") && document.querySelector(".ends input").checked && document.querySelectorAll(".run tbody tr").length === 1`) {
		t.Error("after a restart the step is not marked as done with its frame")
	}
	p.shot("fitting-focus-desktop-paper")

	// A second frame, then both with their places.
	p.dropped(0, frames[1])
	p.await(`document.querySelectorAll(".run tbody tr").length === 2 && [...document.querySelectorAll(".run td.q")].every(d => d.innerText !== "–")`)
	p.quietly()
}

// stoppable is served, with what stops the server before the test ends.
func stoppable(t *testing.T, more func(*Config)) (base string, stop func()) {
	t.Helper()
	cfg := Config{Rig: "../../examples/larkspur.toml", Addr: "127.0.0.1:0", Version: "test", Now: func() time.Time { return evening }}
	more(&cfg)
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan string, 1), make(chan error, 1)
	go func() { ended <- s.Serve(ctx, func(url string) { ready <- url }) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the server ended with: %v", err)
		}
	})
	t.Cleanup(stop)
	return strings.TrimSuffix(<-ready, "/"), stop
}

// TestFittingSteps looks at every step before anything was brought: what it
// teaches fits, can be read by all and is red by night.
func TestFittingSteps(t *testing.T) {
	base := served(t)
	looks := []struct {
		name, dress string
		size        size
	}{{"phone-night", "night", phone}, {"desktop-paper", "paper", desktop}}
	if testing.Short() {
		looks = looks[:1]
	}
	for _, l := range looks {
		p := open(t, base, "/fitting", l.size, l.dress)
		p.await(`document.querySelector(".steps .lists button")`)
		for i, name := range eval[[]string](p, `[...document.querySelectorAll(".steps .lists button > span:last-child")].map(s => s.childNodes[0].textContent)`) {
			p.to(name)
			if name == "Find light" {
				p.await(`document.querySelector(".looks li")`)
			}
			shot := p.shot(fmt.Sprintf("fitting-%02d-%s", i+1, l.name))
			p.fits()
			p.accessible()
			if l.dress == "night" {
				p.red(shot)
			}
		}
		p.quietly()
	}
}

// TestRealFocusDropped: real frames that are dropped get their answer.
func TestRealFocusDropped(t *testing.T) {
	dir := testkit.Frames(t)
	for _, name := range []string{"focus_14inch/run114/p00.fits", "finder"} {
		frame := filepath.Join(dir, filepath.FromSlash(name))
		if info, err := os.Stat(frame); err == nil && info.IsDir() {
			found, err := filepath.Glob(filepath.Join(frame, "*.fit*"))
			if err != nil || len(found) == 0 {
				t.Fatalf("no frames in %s: %v", name, err)
			}
			frame = found[0]
		}
		frame, err := filepath.Abs(frame)
		if err != nil {
			t.Fatal(err)
		}
		p := open(t, served(t), "/fitting", desktop, "paper")
		p.to("Focus")
		p.dropped(0, frame)
		t.Logf("%s: %s", name, p.said())
		p.shot("fitting-real-" + strings.ReplaceAll(name, "/", "-"))
		p.quietly()
	}
}

// TestNoRig: without a rig the pages answer from what is assumed, and a frame from
// its header.
func TestNoRig(t *testing.T) {
	base := served(t, func(c *Config) { c.Rig = "" })
	p := open(t, base, "/fitting", desktop, "paper")
	p.to("Focus")
	p.dropped(0, of(t, blurred, "guide")[0])
	if said := p.said(); !strings.Contains(said, "to go") && !strings.Contains(said, "focus") {
		t.Errorf("the page says %q", said)
	}
	p.to("Find light")
	p.await(`document.querySelector(".looks li")`)
	p.quietly()
}

// TestSightDropped: a frame of each telescope gets the screws to turn.
func TestSightDropped(t *testing.T) {
	p := open(t, served(t), "/fitting", desktop, "paper")
	p.to("Sight in")
	p.dropped(0, of(t, sharp, "subs")[0])
	p.await(`document.querySelector(".bring > .say")?.innerText.includes("Now the guide")`)
	p.dropped(1, of(t, aside, "guide")[0])
	if said := p.said(); !strings.Contains(said, "They point 6") {
		t.Errorf("the page says %q: the fields are 64 arcminutes apart", said)
	}
	p.await(`document.querySelector(".answer svg.ring")`)
	if n := eval[int](p, `document.querySelectorAll(".answer .do li").length`); n == 0 {
		t.Error("no screw is named")
	}
	p.shot("fitting-sight-desktop-paper")
	p.fits()
	p.accessible()
	p.quietly()
}

// TestWatched: a frame that lands in a folder which the page watches is answered
// once it is whole, and not before.
func TestWatched(t *testing.T) {
	in := t.TempDir()
	frames := of(t, blurred, "guide")
	base := served(t, func(c *Config) { c.Folders = []string{in} })
	p := open(t, base, "/fitting", desktop, "night")
	p.to("Focus")
	p.await(`document.querySelector(".watch select option:nth-child(2)")`)
	eval[bool](p, `(() => { const s = document.querySelector(".watch select"); s.value = s.options[1].value; s.dispatchEvent(new Event("change", {bubbles: true})); return true; })()`)
	p.await(`document.querySelector(".watch [role=status]")?.innerText.includes("looking for new")`)
	b, err := os.ReadFile(frames[0])
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(in, "new.fits")
	// Half of it lies there for longer than a file is looked at before it is
	// taken for written.
	if err := os.WriteFile(name, b[:len(b)/2], 0o600); err != nil {
		t.Fatal(err)
	}
	time.Sleep(3500 * time.Millisecond)
	if eval[bool](p, `!!document.querySelector(".run, .answer")`) {
		t.Fatal("half a frame was taken")
	}
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	testkit.NearRel(t, turnsSaid(t, p.said()), guideOff/1000.0/0.75, 0.1, "the fault that the night was rehearsed with")
	shot := p.shot("fitting-watched-desktop-night")
	p.red(shot)

	// From afar the figure follows what lands.
	p.press(".answer", "Far sight")
	p.await(`document.querySelector(".farsight[open] .figure").innerText === "2.0"`)
	later := of(t, sharp, "guide") // the last of them was taken after that of the other night
	if b, err = os.ReadFile(later[len(later)-1]); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(in, "next.fits"), b, 0o600); err != nil {
		t.Fatal(err)
	}
	p.await(`document.querySelector(".farsight[open] .figure").innerText !== "2.0"`)
	if turns := eval[float64](p, `+document.querySelector(".farsight .figure").innerText`); !(turns < 0.1) {
		t.Errorf("after a frame that is all but in focus it says %v turns from afar, want less than a tenth", turns)
	}
	eval[bool](p, `document.querySelector(".farsight").click() || true`) // a tap leaves it
	p.await(`!document.querySelector(".farsight")`)
	p.quietly()
}

// TestWatchEvents: what a watch tells: nothing of what was there, one event for a
// frame, what landed since for a page that had looked before, and a file that
// stays cut.
func TestWatchEvents(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("TestWatchEvents: waits for a file that stays cut: -short")
	}
	in := t.TempDir()
	frame, err := os.ReadFile(of(t, blurred, "guide")[0])
	if err != nil {
		t.Fatal(err)
	}
	put := func(name string, b []byte) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(in, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put("old.fits", frame)
	base := served(t, func(c *Config) { c.Folders = []string{in} })
	heard := func(since string, d time.Duration) string {
		ctx, cancel := context.WithTimeout(context.Background(), d)
		defer cancel()
		req, err := http.NewRequestWithContext(ctx, "GET", base+"/api/watch?path="+filepath.Base(in)+"&since="+since, nil)
		if err != nil {
			t.Fatal(err)
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body) // ends when the page goes away
		return string(b)
	}
	before := strconv.FormatInt(time.Now().Add(-time.Hour).UnixNano(), 10)
	if got := heard("", 4*time.Second); strings.Contains(got, "old.fits") || !strings.Contains(got, "event: looked") {
		t.Errorf("a first watch hears %q", got)
	}
	put("cut.fits", frame[:len(frame)/2])
	got := heard(before, 16*time.Second)
	if n := strings.Count(got, "\ndata: "+filepath.Base(in)+"/old.fits\n"); n != 1 {
		t.Errorf("a page that had looked before hears of a frame %d times, want once: %q", n, got)
	}
	if n := strings.Count(got, "event: partial\ndata: "+filepath.Base(in)+"/cut.fits"); n != 1 {
		t.Errorf("a file that stays cut is told %d times, want once: %q", n, got)
	}
	res, err := http.Get(base + "/api/watch?path=elsewhere")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusNotFound {
		t.Errorf("a folder that is not there: status %d", res.StatusCode)
	}
}

// asked starts a work over HTTP and returns its envelope when it has ended.
func asked(t *testing.T, base, verb string, question map[string]any) map[string]any {
	t.Helper()
	b, err := json.Marshal(question)
	if err != nil {
		t.Fatal(err)
	}
	decode := func(res *http.Response, err error, into any) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		if err := json.NewDecoder(res.Body).Decode(into); err != nil {
			t.Fatal(err)
		}
	}
	var begun struct{ ID string }
	res, err := http.Post(base+"/api/works/"+verb, "application/json", bytes.NewReader(b))
	decode(res, err, &begun)
	for deadline := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		var w struct {
			State  string
			Answer map[string]any
		}
		res, err := http.Get(base + "/api/works/" + begun.ID)
		decode(res, err, &w)
		if w.State != "running" {
			return w.Answer
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s does not end", verb)
		}
	}
}

// TestSteps: every work of the fitting answers from the rehearsed night, or says
// what it lacks, and names frames as pages do.
func TestSteps(t *testing.T) {
	t.Parallel()
	night, err := sharp()
	if err != nil {
		t.Fatal(err)
	}
	far, err := blurred()
	if err != nil {
		t.Fatal(err)
	}
	other, err := aside()
	if err != nil {
		t.Fatal(err)
	}
	base := served(t, func(c *Config) { c.Folders = []string{night, far, other} })
	name := func(paths []string) []string {
		var out []string
		for _, p := range paths {
			rel, err := filepath.Rel(filepath.Dir(night), p)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, filepath.ToSlash(rel))
		}
		return out
	}
	apart := name(of(t, aside, "guide"))
	subs, guide, soft := name(of(t, sharp, "subs")), name(of(t, sharp, "guide")), name(of(t, blurred, "guide"))
	for _, tt := range []struct {
		verb, name string
		ask        map[string]any
		want       []string // in the answer
	}{
		{"measure", "", map[string]any{"files": subs}, []string{`"stars_found"`, subs[0]}},
		{"solve", "", map[string]any{"files": subs[:1]}, []string{`"solved":true`, subs[0]}},
		{"focus", "locked", map[string]any{"files": soft[:1], "locked": soft[1:2]}, []string{`"lock":{`, soft[1], `class=\"focuser\"`}},
		{"focus", "run", map[string]any{"files": soft[:3], "positions": "0,0.5,1"}, []string{`"position":0.5`, `class=\"curve\"`}},
		{"focus", "imaging", map[string]any{"files": subs[:1], "imaging": true}, []string{`"hfd_px"`}},
		{"sight", "", map[string]any{"files": subs[:1], "guide": apart[:1], "tube": "east"}, []string{`"offset_arcmin"`, `class=\"ring\"`, "tube east of the pier"}},
		{"sight", "lacks", map[string]any{"files": subs[:1]}, []string{"one telescope only"}},
		{"pole", "still", map[string]any{"files": subs}, []string{`"verdict":"not certain"`}},
		{"drive", "frames", map[string]any{"files": guide}, []string{`"verdict"`}},
		{"flex", "pairs", map[string]any{"files": subs, "guide": guide}, []string{`"pairs":[`, subs[0]}},
		{"flex", "pressed", map[string]any{"presses": []map[string]any{{"joint": "shoe", "files": subs[:3]}}}, []string{`"joint":"shoe"`, `class=\"curve\"`}},
		{"sub", "", map[string]any{"files": subs[:1], "target": "M27", "date": "2026-08-14", "sub": "20 s"}, []string{`"planned_fwhm_px"`, `"verdict":"`}},
		{"compare", "", map[string]any{"files": subs, "others": subs, "test": "short"}, []string{`"verdict":"`, `class=\"curve\"`}},
		{"compare", "lacks", map[string]any{"files": subs, "test": "short"}, []string{"found one set of subs"}},
		{"measure", "nothing", map[string]any{}, []string{"no frame was named"}},
		{"measure", "elsewhere", map[string]any{"files": []string{"../../etc/passwd"}}, []string{"none of the folders"}},
	} {
		t.Run(strings.TrimSuffix(tt.verb+"-"+tt.name, "-"), func(t *testing.T) {
			var b bytes.Buffer
			enc := json.NewEncoder(&b)
			enc.SetEscapeHTML(false)
			if err := enc.Encode(asked(t, base, tt.verb, tt.ask)); err != nil {
				t.Fatal(err)
			}
			for _, want := range tt.want {
				if !strings.Contains(b.String(), want) {
					t.Errorf("no %s in %.3000s", want, b.String())
				}
			}
			for _, path := range []string{night, "rig-", ".part"} {
				if strings.Contains(b.String(), path) {
					t.Errorf("the answer names the path %s: %.3000s", path, b.String())
				}
			}
		})
	}
}
