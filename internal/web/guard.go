package web

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base32"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"time"
)

// quiet takes what net/http would log of broken connections.
var quiet = log.New(io.Discard, "", 0)

// guard lets in whom the server is for: requests addressed to it by a name of
// its own, from its own pages, and, on a local network, from devices that have
// shown a code.
type guard struct {
	lan  bool
	say  func(format string, args ...any)
	now  func() time.Time
	host string // as listened on
	port string

	mu    sync.Mutex
	code  string
	wrong int
	after time.Time       // no code is looked at before
	known map[string]bool // what devices that were let in show
}

func newGuard(cfg Config) *guard {
	return &guard{lan: cfg.LAN, say: cfg.Say, now: cfg.Now, known: map[string]bool{}}
}

// bind notes the address that is listened on and, on a local network, makes the
// first code.
func (g *guard) bind(a net.Addr) {
	g.host, g.port, _ = net.SplitHostPort(a.String())
	if g.lan {
		g.mu.Lock()
		g.renew()
		g.mu.Unlock()
	}
}

// url returns the address to open on this machine.
func (g *guard) url() string {
	host := g.host
	if ip, err := netip.ParseAddr(host); err == nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return "http://" + net.JoinHostPort(host, g.port) + "/"
}

// secret returns n random letters and digits that can not be taken for each
// other.
func secret(n int) string {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails
	return strings.ToLower(base32.NewEncoding("ABCDEFGHJKLMNPQRSTUVWXYZ23456789").WithPadding(base32.NoPadding).EncodeToString(b))[:n]
}

// renew makes another code and says it. The lock is held.
func (g *guard) renew() {
	g.code, g.wrong = secret(8), 0
	g.say("code for the next device: %s", g.code)
}

// around returns h behind the guard.
func (g *guard) around(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head := w.Header()
		head.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' data: blob:; connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("X-Frame-Options", "DENY")
		head.Set("Referrer-Policy", "no-referrer")
		head.Set("Cross-Origin-Resource-Policy", "same-origin")
		head.Set("Cross-Origin-Opener-Policy", "same-origin")
		if !g.ours(r.Host) {
			http.Error(w, "this address is not one that holdfast answers to: open the one it printed when it started", http.StatusMisdirectedRequest)
			return
		}
		if !g.fromOurPage(r) {
			http.Error(w, "a page of another site asked for this: holdfast answers its own pages only", http.StatusForbidden)
			return
		}
		if g.lan && !local(r.RemoteAddr) && !g.letIn(w, r) {
			return
		}
		// Who does not take an answer is not waited for; what streams gives itself
		// more time with each line.
		_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(patience)) // only a test's recorder has none
		h.ServeHTTP(w, r)
	})
}

// ours reports whether a Host header names this server.
func (g *guard) ours(host string) bool {
	name, port, err := net.SplitHostPort(host)
	if err != nil || port != g.port {
		return false
	}
	if name == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(name)
	if err != nil {
		return false
	}
	ip = ip.Unmap()
	if ip.IsLoopback() || name == g.host {
		return true
	}
	return g.lan && (ip.IsPrivate() || ip.IsLinkLocalUnicast()) && mine(ip)
}

// mine reports whether an address is one of this machine's.
func mine(ip netip.Addr) bool {
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return false
	}
	for _, a := range addrs {
		if p, err := netip.ParsePrefix(a.String()); err == nil && p.Addr().Unmap() == ip.WithZone("") {
			return true
		}
	}
	return false
}

// local reports whether a request comes from this machine.
func local(remote string) bool {
	ap, err := netip.ParseAddrPort(remote)
	return err == nil && ap.Addr().Unmap().IsLoopback()
}

// fromOurPage reports whether a request was made by a page of this server, or
// by no page. What a page of another site may do is to link here: to open a
// page, not to read data or to write.
func (g *guard) fromOurPage(r *http.Request) bool {
	page := (r.Method == http.MethodGet || r.Method == http.MethodHead) && !strings.HasPrefix(r.URL.Path, "/api/")
	if o := r.Header.Get("Origin"); o != "" && o != "http://"+r.Host {
		return false
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
		return true
	}
	return page && r.Header.Get("Sec-Fetch-Mode") == "navigate"
}

// cookie is what a device shows that was let in.
const cookie = "holdfast"

// letIn reports whether a device was let in before; if not it answers with the
// form that asks for the code, or reads the code.
func (g *guard) letIn(w http.ResponseWriter, r *http.Request) bool {
	if c, err := r.Cookie(cookie); err == nil {
		g.mu.Lock()
		known := g.known[c.Value]
		g.mu.Unlock()
		if known {
			return true
		}
	}
	if assetPath(r.URL.Path) {
		return true // faces and colours of the form
	}
	if r.Method != http.MethodPost || r.URL.Path != "/enter" {
		g.ask(w, http.StatusUnauthorized, "")
		return false
	}
	r.Body = http.MaxBytesReader(w, r.Body, 1<<10)
	given := strings.ToLower(strings.TrimSpace(r.PostFormValue("code")))
	g.mu.Lock()
	defer g.mu.Unlock()
	if wait := g.after.Sub(g.now()); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(wait.Seconds())+1))
		g.ask(w, http.StatusTooManyRequests, "Too many tries. Wait a moment; a new code has been printed.")
		return false
	}
	if subtle.ConstantTimeCompare([]byte(given), []byte(g.code)) != 1 {
		if g.wrong++; g.wrong >= 5 {
			g.after = g.now().Add(30 * time.Second)
			g.renew()
		}
		g.ask(w, http.StatusForbidden, "That is not the code.")
		return false
	}
	key := secret(32)
	g.known[key] = true
	g.renew()
	http.SetCookie(w, &http.Cookie{Name: cookie, Value: key, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return false
}

// ask answers with the form for the code.
func (g *guard) ask(w http.ResponseWriter, status int, why string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	fmt.Fprintf(w, `<!doctype html><html lang="en" class="night"><meta charset="utf-8"><meta name="viewport" content="width=device-width,initial-scale=1"><title>holdfast: the code</title><link rel="stylesheet" href="/assets/app.css">
<main class="gate"><h1>holdfast</h1><form method="post" action="/enter"><label for="code">The code that the computer printed</label><input id="code" name="code" autocomplete="off" autocapitalize="off" spellcheck="false" autofocus><button>Enter</button></form><p role="alert">%s</p></main></html>`, why)
}
