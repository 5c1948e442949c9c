package sky

import (
	"testing"
	"time"

	"holdfast/internal/unit"
)

var (
	benchSite, _ = NewSite(50.1, 8.7, 150)
	benchDay     = time.Date(2026, 8, 14, 0, 0, 0, 0, time.UTC)
	benchTarget  = Direction{10.6847, 41.2688}
)

func BenchmarkSiteAt(b *testing.B) {
	t := NewInstant(benchDay)
	for b.Loop() {
		benchSite.At(t)
	}
}

func BenchmarkSpanAt(b *testing.B) {
	t := NewInstant(benchDay)
	sp := NewSpan(benchSite, t, t.Add(daySec))
	o := new(Observer)
	for b.Loop() {
		sp.observe(o, t.Add(12345))
	}
}

func BenchmarkObserved(b *testing.B) {
	o := benchSite.At(NewInstant(benchDay))
	for b.Loop() {
		o.Observed(benchTarget)
	}
}

func BenchmarkSee_Moon(b *testing.B) {
	t := NewInstant(benchDay)
	o := NewSpan(benchSite, t, t.Add(daySec)).At(t.Add(12345))
	for b.Loop() {
		o.See(Moon)
	}
}

func BenchmarkNewNight(b *testing.B) {
	for b.Loop() {
		NewNight(benchSite, benchDay)
	}
}

// The planner's question, cold: twilights, the Moon's rise and set, the hours
// of one target, its transit.
func BenchmarkNight_target_twilight_moon(b *testing.B) {
	for b.Loop() {
		n, err := NewNight(benchSite, benchDay)
		if err != nil {
			b.Fatal(err)
		}
		n.Twilight()
		n.MoonUp()
		n.Target(benchTarget, 20)
	}
}

// Another target in a night already computed.
func BenchmarkTarget(b *testing.B) {
	n, err := NewNight(benchSite, benchDay)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		n.Target(benchTarget, 20)
	}
}

func BenchmarkTrack_144instants(b *testing.B) {
	var times []Instant
	for i := range 144 {
		times = append(times, NewInstant(benchDay).Add(unit.Second(300*i)))
	}
	for b.Loop() {
		Track(benchSite, benchTarget, times)
	}
}
