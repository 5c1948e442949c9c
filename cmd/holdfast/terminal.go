package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"github.com/vbauerster/cupwriter"

	"holdfast/internal/report"
)

// isTerminal reports whether a person reads or types at the other end.
func isTerminal(f any) bool {
	w, ok := f.(*os.File)
	return ok && cupwriter.New(w, false).IsTerminal()
}

// style returns how text is laid out for whoever reads it.
func (s *session) style(all bool) report.Style {
	st := report.Style{Width: 80, All: all}
	if !isTerminal(s.stdout) {
		return st
	}
	st.Bold = os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
	if f, ok := s.stdout.(*os.File); ok {
		if width, _, err := cupwriter.New(f, false).GetTermSize(); err == nil && width > 0 && width < st.Width {
			st.Width = width
		}
	}
	return st
}

// patience is how long a command works before it says so.
const patience = time.Second

// progress tells a person at the terminal, after a second, that the command is
// at work, and how long it has been. The function it returns takes the line
// away again.
func (s *session) progress() (quiet func()) {
	if !isTerminal(s.stderr) || s.verb == "init" || s.verb == "serve" {
		return func() {}
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		began := time.Now()
		tick := time.NewTicker(patience)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
				fmt.Fprintf(s.stderr, "\rholdfast: at work, %.0f s", time.Since(began).Seconds())
			}
		}
	})
	var once sync.Once
	return func() {
		once.Do(func() {
			close(stop)
			wg.Wait()
			_, _ = io.WriteString(s.stderr, "\r\x1b[K")
		})
	}
}
