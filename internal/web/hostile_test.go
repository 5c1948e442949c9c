package web

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// hostile sends a request as a client would that means harm and returns the
// status and the answer's beginning.
func hostile(t *testing.T, method, target string, body io.Reader, head ...string) (int, string) {
	t.Helper()
	req, err := http.NewRequest(method, target, body)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(head); i += 2 {
		if head[i] == "Host" {
			req.Host = head[i+1]
			continue
		}
		req.Header.Set(head[i], head[i+1])
	}
	res, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		return 0, err.Error()
	}
	defer res.Body.Close()
	b, _ := io.ReadAll(io.LimitReader(res.Body, 4096))
	return res.StatusCode, string(b)
}

// TestForgedNames: what is not addressed to this server, or comes from a page of
// another, is not answered.
func TestForgedNames(t *testing.T) {
	base := served(t)
	port := base[strings.LastIndex(base, ":"):]
	tests := []struct {
		name   string
		method string
		path   string
		head   []string
		want   int
	}{
		{"as it printed", "GET", "/api/desk", nil, 200},
		{"by its other name", "GET", "/api/desk", []string{"Host", "localhost" + port}, 200},
		{"another name", "GET", "/api/desk", []string{"Host", "attacker.example" + port}, 421},
		{"another name for a page", "GET", "/star", []string{"Host", "attacker.example" + port}, 421},
		{"a name that begins well", "GET", "/api/desk", []string{"Host", "localhost.attacker.example" + port}, 421},
		{"another port", "GET", "/api/desk", []string{"Host", "127.0.0.1:1"}, 421},
		{"no port", "GET", "/api/desk", []string{"Host", "127.0.0.1"}, 421},
		{"an address of the network", "GET", "/api/desk", []string{"Host", "192.168.1.4" + port}, 421},
		{"its own page", "PUT", "/api/notes/a", []string{"Origin", base, "Sec-Fetch-Site", "same-origin"}, 204},
		{"another origin writes", "PUT", "/api/notes/a", []string{"Origin", "http://attacker.example"}, 403},
		{"another origin asks", "POST", "/api/plan", []string{"Origin", "http://attacker.example"}, 403},
		{"no origin", "POST", "/api/rig", []string{"Origin", "null"}, 403},
		{"another site writes", "PUT", "/api/notes/a", []string{"Sec-Fetch-Site", "cross-site"}, 403},
		{"another port of this machine writes", "PUT", "/api/notes/a", []string{"Sec-Fetch-Site", "same-site"}, 403},
		{"another site reads", "GET", "/api/desk", []string{"Sec-Fetch-Site", "cross-site"}, 403},
		{"another site reads by going there", "GET", "/api/desk", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, 403},
		{"another site links to a page", "GET", "/star", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, 200},
		{"another site takes the bundle", "GET", "/assets/app.js", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors"}, 403},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got, b := hostile(t, tt.method, base+tt.path, strings.NewReader("{}"), tt.head...); got != tt.want {
				t.Errorf("%s %s with %q: got %d (%s), want %d", tt.method, tt.path, tt.head, got, b, tt.want)
			}
		})
	}
}

// TestOutside: no name leads out of the folders named at the start, neither to
// read nor to write.
func TestOutside(t *testing.T) {
	home := t.TempDir()
	in, keep := filepath.Join(home, "night"), filepath.Join(home, "keep")
	for _, d := range []string{in, filepath.Join(in, "subs"), filepath.Join(home, "private")} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	secretFile := filepath.Join(home, "private", "secret.fits")
	if err := os.WriteFile(secretFile, []byte("SIMPLE  = secret"), 0o644); err != nil {
		t.Fatal(err)
	}
	for from, to := range map[string]string{"link.fits": secretFile, "away": filepath.Join(home, "private"), "up": ".."} {
		if err := os.Symlink(to, filepath.Join(in, from)); err != nil {
			t.Skipf("no links on this file system: %v", err)
		}
	}
	base := served(t, func(c *Config) { c.Folders, c.Keep = []string{in}, keep })

	for _, name := range []string{"..", "../private", "/", "/etc", "night/..", "night/../private", "night/away", "night/up", "night/up/private", "night/subs/../../private", "kept/../notes", "kept/../../private", "nowhere", `night\..\private`, "night/%2e%2e/private", "night/\x00", "night/" + strings.Repeat("a/", 5000)} {
		got, b := hostile(t, "GET", base+"/api/folder?path="+url.QueryEscape(name), nil)
		if got == 200 || strings.Contains(b, "secret") {
			t.Errorf("folder %.40q: got %d %s", name, got, b)
		}
	}
	if got, b := hostile(t, "GET", base+"/api/folder?path=night", nil); got != 200 || !strings.Contains(b, `"subs"`) {
		t.Errorf("the folder itself: got %d %s", got, b)
	}

	for _, name := range []string{"night/link.fits", "night/away/secret.fits", "../private/secret.fits", secretFile} {
		got, b := hostile(t, "POST", base+"/api/works/measure", strings.NewReader(fmt.Sprintf(`{"files":[%q]}`, name)))
		if got != 202 {
			t.Errorf("measure %q: got %d %s", name, got, b)
			continue
		}
		id := strings.TrimSuffix(strings.TrimPrefix(b, `{"id":"`), `"}`)
		for range 100 {
			if _, b = hostile(t, "GET", base+"/api/works/"+id, nil); !strings.Contains(b, `"running"`) {
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
		if !strings.Contains(b, `"failed"`) || strings.Contains(b, "SIMPLE") {
			t.Errorf("measure %q: got %s, want it refused", name, b)
		}
	}

	before := tree(t, home, keep)
	for _, q := range []string{"name=../../x.fits", "name=/tmp/x.fits", `name=..\..\x.fits`, "name=x.fits&batch=../../private", "name=x.fits&batch=..", "name=..", "name=", "name=%00", "name=.hidden", "name=" + strings.Repeat("n", 5000), "name=CON&batch=/etc/cron.d"} {
		if got, b := hostile(t, "POST", base+"/api/drop?"+q, strings.NewReader("x")); got != 201 && got != 400 {
			t.Errorf("drop %.60q: got %d %s", q, got, b)
		}
	}
	for _, name := range []string{"..%2f..%2fx", "%2e%2e", "A", "a.b", strings.Repeat("a", 65), "a%00"} {
		if got, b := hostile(t, "PUT", base+"/api/notes/"+name, strings.NewReader("{}")); got == 204 {
			t.Errorf("note %q was taken: %s", name, b)
		}
	}
	if after := tree(t, home, keep); before != after {
		t.Errorf("outside the keep there was\n%s\nand is\n%s", before, after)
	}
	if got, b := hostile(t, "GET", base+"/assets/../server.go", nil); got == 200 && strings.Contains(b, "package web") {
		t.Error("the bundle leads out of itself")
	}
	if got, _ := hostile(t, "GET", base+"/assets/", nil); got != 404 {
		t.Errorf("the bundle's list: got %d, want 404", got)
	}
}

// tree lists what is in a folder, but for what is in another.
func tree(t *testing.T, dir, but string) string {
	t.Helper()
	var out []string
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if p == but {
			return filepath.SkipDir
		}
		out = append(out, p)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(out, "\n")
}

// endless is a body that never ends; it counts what was taken of it.
type endless struct{ taken int64 }

func (e *endless) Read(b []byte) (int, error) {
	clear(b)
	e.taken += int64(len(b))
	return len(b), nil
}

// TestOversized: what is too large is refused, at once where its length is said,
// and leaves nothing behind.
func TestOversized(t *testing.T) {
	keep := t.TempDir()
	base := served(t, func(c *Config) { c.Keep = keep })
	body := &endless{}
	req, err := http.NewRequest("POST", base+"/api/drop?name=big.fits", body)
	if err != nil {
		t.Fatal(err)
	}
	req.ContentLength = 10 << 30
	res, err := http.DefaultTransport.RoundTrip(req)
	if err == nil {
		res.Body.Close()
		if res.StatusCode != http.StatusRequestEntityTooLarge {
			t.Errorf("10 GB said to come: got %d, want 413", res.StatusCode)
		}
	}
	if body.taken > 64<<20 {
		t.Errorf("10 GB said to come: %d bytes were taken", body.taken)
	}
	for path, method := range map[string]string{"/api/notes/a": "PUT", "/api/plan": "POST", "/api/works/measure": "POST"} {
		if got, _ := hostile(t, method, base+path, io.LimitReader(&endless{}, 3<<20)); got == 204 || got == 200 || got == 202 {
			t.Errorf("%s %s of 3 MB: got %d", method, path, got)
		}
	}
	for _, tt := range []struct{ kind, body string }{
		{"multipart/form-data; boundary=x", "--x\r\nContent-Disposition: form-data; name=\"f\"; filename=\"../../x\"\r\n\r\nabc"},
		{"multipart/form-data", "no boundary"},
		{"application/x-www-form-urlencoded", "a=b"},
	} {
		if got, b := hostile(t, "POST", base+"/api/drop?name=x", strings.NewReader(tt.body), "Content-Type", tt.kind); got != http.StatusUnsupportedMediaType {
			t.Errorf("drop as %s: got %d %s, want 415", tt.kind, got, b)
		}
	}
	parts, err := filepath.Glob(filepath.Join(keep, "kept", "*"))
	if err != nil || len(parts) > 0 {
		t.Errorf("left behind: %q, %v", parts, err)
	}
}

// TestBrokenOff: a drop that breaks off is not stored, and what a kill left is
// cleared at the next start.
func TestBrokenOff(t *testing.T) {
	keep := t.TempDir()
	base := served(t, func(c *Config) { c.Keep = keep })
	c, err := net.Dial("tcp", strings.TrimPrefix(base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(c, "POST /api/drop?name=x.fits HTTP/1.1\r\nHost: %s\r\nContent-Length: 1000000\r\n\r\nabc", strings.TrimPrefix(base, "http://"))
	time.Sleep(50 * time.Millisecond)
	c.Close()
	for range 100 {
		if left, _ := filepath.Glob(filepath.Join(keep, "kept", "*")); len(left) == 0 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if left, _ := filepath.Glob(filepath.Join(keep, "kept", "*")); len(left) > 0 {
		t.Errorf("a drop that broke off left %q", left)
	}
	if err := os.WriteFile(filepath.Join(keep, "kept", "killed.part"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	served(t, func(c *Config) { c.Keep = keep })
	if left, _ := filepath.Glob(filepath.Join(keep, "kept", "*")); len(left) > 0 {
		t.Errorf("a start left %q", left)
	}
}

// TestMalformed: bytes that are no request, and questions that are none, are
// refused, and the server goes on.
func TestMalformed(t *testing.T) {
	base := served(t)
	host := strings.TrimPrefix(base, "http://")
	for _, raw := range []string{"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", "GET / HTTP/9.9\r\n\r\n", "GET " + strings.Repeat("a", 100<<10) + " HTTP/1.1\r\n\r\n",
		"POST /api/plan HTTP/1.1\r\nHost: " + host + "\r\nContent-Length: -5\r\n\r\n", "POST /api/plan HTTP/1.1\r\nHost: " + host + "\r\nTransfer-Encoding: chunked\r\n\r\nZZ\r\n",
		"POST /api/plan HTTP/1.1\r\nHost: " + host + "\r\nContent-Length: 4\r\nContent-Length: 5\r\n\r\nabcd", "GET / HTTP/1.1\r\nHost: " + host + "\r\nX: " + strings.Repeat("y", 200<<10) + "\r\n\r\n"} {
		c, err := net.Dial("tcp", host)
		if err != nil {
			t.Fatal(err)
		}
		_ = c.SetDeadline(time.Now().Add(5 * time.Second))
		_, _ = io.WriteString(c, raw)
		b, _ := io.ReadAll(c)
		c.Close()
		if bytes.Contains(b, []byte(" 200 ")) {
			t.Errorf("%.40q was answered: %.80s", raw, b)
		}
	}
	for _, q := range []string{"", "[]", "null1", `{"set":5}`, `{"set":{"":""}}`, `{"set":{"a":"b"}}`, `{"nothing":1}`, strings.Repeat("[", 1e5), `{"target":"` + strings.Repeat("x", 1e5) + `"}`, `{"date":"9999-99-99"}`, `{"sub":"-5 s"}`, "\xff\xfe"} {
		for _, verb := range []string{"star", "plan", "path", "stars", "rig"} {
			got, b := hostile(t, "POST", base+"/api/"+verb, strings.NewReader(q))
			if got >= 500 || got == 0 {
				t.Errorf("%s of %.40q: got %d %s", verb, q, got, b)
			}
		}
	}
	if got, _ := hostile(t, "GET", base+"/api/desk", nil); got != 200 {
		t.Errorf("afterwards: got %d", got)
	}
}

// TestManyConnections: a thousand connections that say nothing keep nobody out
// for longer than a silence may last.
func TestManyConnections(t *testing.T) {
	if testing.Short() {
		t.Skip("1 test of a thousand silent connections: takes the time that a silence may last")
	}
	base := served(t)
	host := strings.TrimPrefix(base, "http://")
	var open []net.Conn
	defer func() {
		for _, c := range open {
			c.Close()
		}
	}()
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range 1000 {
		wg.Go(func() {
			c, err := net.DialTimeout("tcp", host, 5*time.Second)
			if err != nil {
				return
			}
			mu.Lock()
			open = append(open, c)
			mu.Unlock()
			_, _ = io.WriteString(c, "GET / HTTP/1.1\r\nHo")
		})
	}
	wg.Wait()
	if len(open) < 900 {
		t.Fatalf("only %d connections could be made", len(open))
	}
	client := &http.Client{Timeout: time.Minute}
	res, err := client.Get(base + "/api/desk")
	if err != nil {
		t.Fatalf("with %d silent connections: %v", len(open), err)
	}
	res.Body.Close()
	if res.StatusCode != 200 {
		t.Errorf("with %d silent connections: got %d", len(open), res.StatusCode)
	}
}

// TestCode: a device of the network is let in by a code that is good once, and
// guessing is slow.
func TestCode(t *testing.T) {
	var said []string
	now := evening
	s, err := New(Config{Rig: "../../examples/larkspur.toml", Keep: t.TempDir(), LAN: true, Version: "test",
		Now: func() time.Time { return now }, Say: func(f string, a ...any) { said = append(said, fmt.Sprintf(f, a...)) }})
	if err != nil {
		t.Fatal(err)
	}
	s.guard.bind(&net.TCPAddr{IP: net.IPv4zero, Port: 8346})
	code := func() string { f := strings.Fields(said[len(said)-1]); return f[len(f)-1] }
	phone := func(method, path, body, cookie string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, path, strings.NewReader(body))
		r.Host, r.RemoteAddr = "127.0.0.1:8346", "192.168.1.7:50000"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if cookie != "" {
			r.Header.Set("Cookie", cookie)
		}
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	if w := phone("GET", "/api/desk", "", ""); w.Code != 401 {
		t.Errorf("without a code: got %d, want 401", w.Code)
	}
	first := code()
	w := phone("POST", "/enter", "code="+strings.ToUpper(first), "")
	if w.Code != 303 {
		t.Fatalf("with the code: got %d, want 303", w.Code)
	}
	cookie := strings.SplitN(w.Header().Get("Set-Cookie"), ";", 2)[0]
	if w := phone("GET", "/api/desk", "", cookie); w.Code != 200 {
		t.Errorf("let in: got %d, want 200", w.Code)
	}
	if w := phone("POST", "/enter", "code="+first, ""); w.Code != 403 {
		t.Errorf("the same code again: got %d, want 403", w.Code)
	}
	if w := phone("GET", "/api/desk", "", "holdfast=guess"); w.Code != 401 {
		t.Errorf("with a made-up cookie: got %d, want 401", w.Code)
	}
	for range 5 {
		phone("POST", "/enter", "code=wrong", "")
	}
	if w := phone("POST", "/enter", "code="+code(), ""); w.Code != 429 {
		t.Errorf("after five wrong codes even the right one: got %d, want 429", w.Code)
	}
	now = now.Add(time.Minute)
	if w := phone("POST", "/enter", "code="+code(), ""); w.Code != 303 {
		t.Errorf("a minute later: got %d, want 303", w.Code)
	}
}
