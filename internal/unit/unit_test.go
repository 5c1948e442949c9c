package unit

import (
	"math"
	"testing"
)

func TestSay(t *testing.T) {
	for _, tt := range []struct {
		in   Second
		want string
	}{{0.5, "0.5 s"}, {2, "2 s"}, {9.96, "10 s"}, {300, "300 s"}, {600, "10 min"}, {3599, "60 min"}, {5400, "1.5 h"}, {Second(math.NaN()), "an unknown time"}} {
		if got := tt.in.Say(); got != tt.want {
			t.Errorf("%v: %q, want %q", float64(tt.in), got, tt.want)
		}
	}
}
