package synth

import (
	"sync"
	"sync/atomic"
)

// parallel calls the function that work returns with 0 to n-1, in so many
// goroutines, each with a function of its own. workers below 1 means 2.
func parallel(workers, n int, work func() func(k int)) {
	if workers < 1 {
		workers = 2
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(workers, n) {
		wg.Go(func() {
			f := work()
			for {
				k := int(next.Add(1)) - 1
				if k >= n {
					return
				}
				f(k)
			}
		})
	}
	wg.Wait()
}
