package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"holdfast/internal/proof"
	"holdfast/internal/rehearsal"
)

// studyNight is a rehearsed night whose truth is known.
type studyNight struct {
	rig, target, date string
	fault             string // "kind:amount"; "" is a sound night
	cause             string
	seed              uint64
	subs              int
	exact             bool
	dir               string
}

// errNotSound says that a rig has no night within its goal even where nothing is
// wrong, so that a fault would not be the cause.
var errNotSound = errors.New("no sound night")

// soundly finds a seed with which the night is within its goal while nothing is
// wrong.
func (n *studyNight) soundly(ctx context.Context) error {
	for range 8 {
		t := n.rehearsal()
		t.Subs, t.Faults, t.Out = 6, nil, ""
		s, err := t.Settle()
		if err != nil {
			return err
		}
		night, _, err := t.night(ctx, s, answer[*Rehearsing](s))
		if err != nil {
			return err
		}
		x, err := rehearsal.Excess(ctx, night, 1)
		if err != nil {
			return err
		}
		if x < 0.95 {
			return nil
		}
		n.seed += 1000
	}
	return errNotSound
}

// rehearsal returns the rehearsal of the night.
func (n *studyNight) rehearsal() Rehearsal {
	t := Rehearsal{Task: Task{Rig: n.rig, Target: n.target, Date: n.date, Seed: n.seed, Workers: 1, Now: time.Date(2026, 8, 14, 12, 0, 0, 0, time.UTC)}, Subs: n.subs, Tables: true, Exact: n.exact, Out: n.dir}
	if n.fault != "" {
		t.Faults = []string{n.fault}
	}
	return t
}

// play rehearses a night into its folder, unless it is there already.
func (n *studyNight) play(ctx context.Context) error {
	if _, err := os.Stat(filepath.Join(n.dir, "truth.json")); err == nil {
		return nil
	}
	if err := os.RemoveAll(n.dir); err != nil {
		return err
	}
	if !n.exact {
		if err := n.soundly(ctx); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(n.dir, 0o777); err != nil {
		return err
	}
	_, err := n.rehearsal().Rehearse(ctx)
	return err
}

// studyNights lists nights: every kind of fault and three sound ones, then again
// with another rig, over targets and dates.
func studyNights(n int, dir string) []*studyNight {
	rigs := []struct {
		file    string
		targets []string
	}{
		{"larkspur", []string{"M27", "M31", "NGC 7000"}},
		{"fourteen", []string{"M16", "NGC 253", "M8"}},
		{"strainwave", []string{"M27", "M33", "M13"}},
		{"long", []string{"M31", "M57", "M13"}},
		{"fourteen-pickoff", []string{"M16", "NGC 253", "M8"}},
		{"tracker", []string{"M8", "M7", "M22"}},
	}
	kinds := rehearsal.FaultKinds()
	var out []*studyNight
	for i := range n {
		k, round := i%(len(kinds)+3), i/(len(kinds)+3)
		r := rigs[(k+round)%len(rigs)]
		s := &studyNight{rig: "../../examples/" + r.file + ".toml", target: r.targets[(round+k)%3], date: []string{"2026-08-14", "2026-09-12", "2026-10-09", "2026-11-06"}[round%4], cause: "none", seed: uint64(i + 1), subs: 10}
		name := "none"
		if k < len(kinds) {
			name, s.cause = kinds[k].Kind, kinds[k].Cause
			s.fault = name + ":matters"
			if name == "seeing" { // round stars are within a goal that is measured against the air
				s.fault = "seeing:5"
			}
		}
		s.dir = filepath.Join(dir, fmt.Sprintf("%04d-%s-%s", i, r.file, name))
		out = append(out, s)
	}
	return out
}

// studied counts how a study went.
type studied struct {
	table                         map[string]map[string]int
	nights, right, sound, accused int
	confident                     int
	bins                          [5]struct{ sum, right, n float64 }
	wrong                         []string
}

// judge proves a night and counts.
func (c *studied) judge(ctx context.Context, n *studyNight, withSeries bool) error {
	t := ProveTask{Files: []string{filepath.Join(n.dir, "subs")}}
	t.Workers = 1
	if !withSeries {
		t.Series = "none"
	}
	a, err := t.Prove(ctx)
	if err != nil {
		return err
	}
	if len(a.Result.Causes) == 0 {
		return fmt.Errorf("%s: no causes", n.dir)
	}
	first := a.Result.Causes[0]
	p := first.Probability
	named := string(first.Cause)
	right := named == n.cause
	for _, e := range first.Equivalent {
		right = right || string(e) == n.cause
		for _, k := range a.Result.Causes {
			if k.Cause == e {
				p += k.Probability
			}
		}
	}
	if c.table == nil {
		c.table = map[string]map[string]int{}
	}
	if c.table[n.cause] == nil {
		c.table[n.cause] = map[string]int{}
	}
	c.table[n.cause][named]++
	c.nights++
	bin := &c.bins[min(int(5*p), 4)]
	bin.sum += p
	bin.n++
	if right {
		c.right++
		bin.right++
	} else {
		if p > 0.8 {
			c.confident++
		}
		c.wrong = append(c.wrong, fmt.Sprintf("%s: %s %.2f, is %s", filepath.Base(n.dir), named, p, n.cause))
	}
	if n.cause == "none" {
		c.sound++
		if named != "none" && first.Cause != proof.Seeing {
			c.accused++
		}
	}
	return nil
}

// String returns the tables.
func (c *studied) String() string {
	var b strings.Builder
	for _, cause := range slices.Sorted(maps.Keys(c.table)) {
		fmt.Fprintf(&b, "%-16s", cause)
		row := c.table[cause]
		for _, named := range slices.Sorted(maps.Keys(row)) {
			fmt.Fprintf(&b, " %s %d", named, row[named])
		}
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "named first %d of %d; confident and wrong %d; sound nights accused %d of %d\n", c.right, c.nights, c.confident, c.accused, c.sound)
	for _, k := range c.bins {
		if k.n > 0 {
			fmt.Fprintf(&b, "said %.2f, was right %.2f, %g nights\n", k.sum/k.n, k.right/k.n, k.n)
		}
	}
	return b.String() + strings.Join(c.wrong, "\n")
}

// TestStudy: causes of rehearsed nights are named. HOLDFAST_STUDY is how many
// nights, HOLDFAST_STUDY_DIR a folder in which they are kept and found again.
func TestStudy(t *testing.T) {
	if testing.Short() {
		t.Skip("a study takes minutes: TestProveSample looks at a few nights")
	}
	count, _ := strconv.Atoi(os.Getenv("HOLDFAST_STUDY"))
	if count == 0 {
		count = 22
	}
	dir := os.Getenv("HOLDFAST_STUDY_DIR")
	if dir == "" {
		dir = t.TempDir()
	}
	var with, without studied
	left := 0
	for _, n := range studyNights(count, dir) {
		if err := n.play(t.Context()); err != nil {
			// A fault that this rig cannot have, or a rig that is never sound.
			os.RemoveAll(n.dir)
			t.Logf("left out: %s: %v", filepath.Base(n.dir), err)
			left++
			continue
		}
		if err := with.judge(t.Context(), n, true); err != nil {
			t.Fatal(err)
		}
		if err := without.judge(t.Context(), n, false); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("with a series, %d left out:\n%s", left, &with)
	t.Logf("without a series:\n%s", &without)
	if with.nights == 0 {
		t.Fatal("no night was judged")
	}
	if share := float64(with.right) / float64(with.nights); share < 0.95 {
		t.Errorf("cause named first in %.3f of %d nights, want 0.95", share, with.nights)
	}
	if share := float64(with.confident) / float64(with.nights); share > 0.03 {
		t.Errorf("confident and wrong in %.3f of %d nights, want at most 0.03", share, with.nights)
	}
	if float64(with.accused) > 0.05*float64(with.sound) {
		t.Errorf("%d of %d sound nights accused, want at most 5 %%", with.accused, with.sound)
	}
}

// TestProveSample: a few nights of one rig, each with a fault well beyond what
// matters, and a sound one.
func TestProveSample(t *testing.T) {
	nights := []studyNight{
		{cause: "none"},
		{fault: "flexure:60", cause: "flexure"},
		{fault: "focus:120", cause: "focus"},
		{fault: "cloud:2", cause: "transparency"},
		{fault: "field_rotation:1", cause: "field_rotation"},
		{fault: "periodic_error:150", cause: "periodic_error"},
	}
	var c studied
	for i := range nights {
		n := &nights[i]
		n.rig, n.target, n.date, n.seed, n.subs, n.exact = "../../examples/larkspur.toml", "M27", "2026-08-14", uint64(i+1), 5, true
		n.dir = filepath.Join(t.TempDir(), "night")
		if err := n.play(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := c.judge(t.Context(), n, true); err != nil {
			t.Fatal(err)
		}
	}
	if c.right != len(nights) {
		t.Errorf("named %d of %d:\n%s", c.right, len(nights), &c)
	}
}
