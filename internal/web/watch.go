package web

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"holdfast/internal/app"
	"holdfast/internal/report"
)

// The manner of a watch.
const (
	watchEvery  = time.Second
	watchCalm   = 2                // looks without change before a file is taken for written
	watchUneasy = 10 * time.Second // without change and still not whole: told
)

// landing is a file of a watched folder that is not told yet.
type landing struct {
	size  int64
	at    time.Time
	calm  int // looks without change
	since time.Time
	told  bool // as not whole
}

// watchFolder answers GET /api/watch?path=: the name of each new frame of a
// folder once it is whole, until the page goes away. Frames that were there when
// the watch began are not new, unless the page had watched before: then those
// that landed since the number it was last given are. A file that is cut, or
// whose writing stopped, is told as an event of its own, "partial".
func (s *Server) watchFolder(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("path")
	root, rest, err := s.desk.find(name)
	if err == nil {
		_, err = fs.ReadDir(root.root.FS(), filepath.ToSlash(rest))
	}
	if err != nil {
		s.refuse(w, http.StatusNotFound, "watch", report.Notes{}, fmt.Errorf("web: %s: found no such folder to watch", name))
		return
	}
	after := watchedSince(r)
	send, ok := stream(w)
	if !ok {
		return
	}
	open := map[string]*landing{}
	known := map[string]time.Time{}
	for first := true; ; first = false {
		now := time.Now()
		entries, err := fs.ReadDir(root.root.FS(), filepath.ToSlash(rest))
		if err != nil {
			send("event: gone\ndata: the folder can not be read any more\n\n")
			return
		}
		for _, e := range entries {
			if e.IsDir() || !app.IsPicture(e.Name()) || strings.HasPrefix(e.Name(), ".") {
				continue
			}
			info, err := e.Info()
			if err != nil {
				continue // gone meanwhile
			}
			if t, ok := known[e.Name()]; ok && t.Equal(info.ModTime()) {
				continue
			}
			if first && (after.IsZero() || !info.ModTime().After(after)) {
				known[e.Name()] = info.ModTime()
				continue
			}
			l := open[e.Name()]
			if l == nil || l.size != info.Size() || !l.at.Equal(info.ModTime()) {
				open[e.Name()] = &landing{size: info.Size(), at: info.ModTime(), since: now}
				continue
			}
			if l.calm++; l.calm < watchCalm || l.told {
				continue
			}
			full := path.Join(name, e.Name())
			switch err := s.desk.whole(full); {
			case err == nil:
				delete(open, e.Name())
				known[e.Name()] = info.ModTime()
				ok = send(fmt.Sprintf("id: %d\ndata: %s\n\n", info.ModTime().UnixNano(), full))
			case now.Sub(l.since) > watchUneasy:
				l.told = true
				ok = send("event: partial\ndata: " + full + ": " + report.Plainly(err) + "\n\n")
			}
			if !ok {
				return
			}
		}
		if !send(fmt.Sprintf("event: looked\ndata: %d\n\n", now.UnixNano())) {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-time.After(watchEvery):
		}
	}
}

// watchedSince returns when a page last looked, the zero time if it never did.
func watchedSince(r *http.Request) time.Time {
	for _, text := range []string{r.Header.Get("Last-Event-ID"), r.URL.Query().Get("since")} {
		if n, err := strconv.ParseInt(text, 10, 64); err == nil && n > 0 {
			return time.Unix(0, n)
		}
	}
	return time.Time{}
}

// whole returns nil if a picture of the desk is there to its last pixel.
func (d *desk) whole(name string) error {
	p, err := d.path(name)
	if err != nil {
		return err
	}
	if err := app.Whole(p); err != nil {
		return errors.New(strings.TrimPrefix(report.Plainly(err), p+": "))
	}
	return nil
}
