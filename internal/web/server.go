package web

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"holdfast/internal/report"
)

// Config is what a server is started with.
type Config struct {
	Rig     string   // path of the rig file; "" serves without one
	Addr    string   // host:port to listen on; port 0 takes a free one
	Folders []string // that pages may look into
	Keep    string   // folder of holdfast's own
	LAN     bool     // let devices of the local network in, each by a code
	Version string
	Now     func() time.Time
	Say     func(format string, args ...any) // prints a line to whoever started the server
}

// The bounds of a request.
const (
	maxHeader   = 32 << 10
	maxQuestion = 1 << 20          // a body that is not a frame
	maxFrame    = 600 << 20        // one dropped frame: 100 megapixels as 32-bit numbers, with room
	maxConns    = 256              // open at once; others wait
	stall       = 20 * time.Second // a client may be silent while it sends
	patience    = 2 * time.Minute  // an answer may take to compute and to be taken
)

// Server answers the pages.
type Server struct {
	cfg   Config
	desk  *desk
	works *works
	guard *guard
	mux   *http.ServeMux
	views chan struct{} // so many frames are looked at at once
}

// New returns a server whose keep is open. Errors are of folders that can not be
// opened.
func New(cfg Config) (*Server, error) {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Say == nil {
		cfg.Say = func(string, ...any) {}
	}
	d, err := openDesk(cfg)
	if err != nil {
		return nil, err
	}
	s := &Server{cfg: cfg, desk: d, guard: newGuard(cfg), views: make(chan struct{}, 2)}
	if s.works, err = openWorks(d); err != nil {
		return nil, err
	}
	s.mux = http.NewServeMux()
	s.routes()
	return s, nil
}

// Handler returns the handler of every request, guarded.
func (s *Server) Handler() http.Handler { return s.guard.around(s.mux) }

// Serve listens until ctx ends, then lets open answers finish for a moment.
// ready is called with the address once it listens.
func (s *Server) Serve(ctx context.Context, ready func(url string)) error {
	l, err := net.Listen("tcp", s.cfg.Addr)
	if err != nil {
		return fmt.Errorf("web: --addr %s: %s", s.cfg.Addr, listenCause(err))
	}
	s.guard.bind(l.Addr())
	hs := &http.Server{
		Handler: s.Handler(), ReadHeaderTimeout: 5 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: maxHeader,
		BaseContext: func(net.Listener) context.Context { return ctx },
		ErrorLog:    quiet,
	}
	done := make(chan error, 1)
	go func() { done <- hs.Serve(&limited{Listener: l, slots: make(chan struct{}, maxConns)}) }()
	ready(s.guard.url())
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	s.works.stop()
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	if err := hs.Shutdown(end); errors.Is(err, context.DeadlineExceeded) {
		return hs.Close()
	} else if err != nil {
		return err
	}
	return nil
}

// listenCause says why an address can not be had.
func listenCause(err error) string {
	var se *os.SyscallError
	if errors.As(err, &se) {
		return se.Err.Error() + ": give another address, such as 127.0.0.1:0 for any free port"
	}
	return err.Error()
}

// limited is a listener of which only so many connections are open at once.
type limited struct {
	net.Listener
	slots chan struct{}
}

// Accept waits for a free slot and a connection.
func (l *limited) Accept() (net.Conn, error) {
	l.slots <- struct{}{}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.slots
		return nil, err
	}
	return &slotted{Conn: c, free: sync.OnceFunc(func() { <-l.slots })}, nil
}

// slotted is a connection that gives its slot back once.
type slotted struct {
	net.Conn
	free func()
}

// Close closes the connection.
func (c *slotted) Close() error {
	defer c.free()
	return c.Conn.Close()
}

// reply writes an answer as JSON.
func reply(w http.ResponseWriter, status int, v any) {
	var b strings.Builder
	if err := report.JSON(&b, v); err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(b.String())) // a client that went away is none of ours
}

// refuse writes why there is no answer.
func (s *Server) refuse(w http.ResponseWriter, status int, verb string, n report.Notes, err error) {
	reply(w, status, report.NewEnvelope(s.cfg.Version, verb, n, nil, report.Plainly(err)))
}
