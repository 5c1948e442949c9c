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

// watched is a folder that a page watches.
type watched struct {
	name   string // as pages call it
	folder fs.FS
	inner  string // path inside folder
	open   map[string]*landing
	known  map[string]time.Time // told, or there before: the time of each
}

// mostWatched is how many folders one page may watch.
const mostWatched = 8

// watchFolders answers GET /api/watch?path=&path=: the name of each new frame of
// these folders once it is whole, until the page goes away. Frames that were there
// when the watch began are not new, unless the page had watched before: then those
// that landed since the number it was last given are. A file that is cut, or
// whose writing stopped, is told as an event of its own, "partial"; a folder that
// can not be read any more as "gone".
func (s *Server) watchFolders(w http.ResponseWriter, r *http.Request) {
	names := r.URL.Query()["path"]
	if len(names) == 0 || len(names) > mostWatched {
		s.refuse(w, http.StatusBadRequest, "watch", report.Notes{}, fmt.Errorf("web: found %d folders to watch: want 1 to %d", len(names), mostWatched))
		return
	}
	var folders []*watched
	for _, name := range names {
		root, inner, err := s.desk.find(name)
		if err == nil {
			_, err = fs.ReadDir(root.root.FS(), filepath.ToSlash(inner))
		}
		if err != nil {
			s.refuse(w, http.StatusNotFound, "watch", report.Notes{}, fmt.Errorf("web: %s: found no such folder to watch", name))
			return
		}
		folders = append(folders, &watched{name, root.root.FS(), filepath.ToSlash(inner), map[string]*landing{}, map[string]time.Time{}})
	}
	after := watchedSince(r)
	send, ok := stream(w)
	if !ok {
		return
	}
	for first := true; ; first = false {
		now := time.Now()
		for _, f := range folders {
			if !f.look(s.desk, first, after, now, send) {
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

// look looks at a folder once and sends what is new. It returns false once there
// is no more to look at, or nobody to tell.
func (f *watched) look(d *desk, first bool, after, now time.Time, send func(string) bool) bool {
	entries, err := fs.ReadDir(f.folder, f.inner)
	if err != nil {
		send("event: gone\ndata: " + f.name + " can not be read any more\n\n")
		return false
	}
	for _, e := range entries {
		if e.IsDir() || !app.IsPicture(e.Name()) || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		info, err := e.Info()
		if err != nil {
			continue // gone meanwhile
		}
		if t, ok := f.known[e.Name()]; ok && t.Equal(info.ModTime()) {
			continue
		}
		if first && (after.IsZero() || !info.ModTime().After(after)) {
			f.known[e.Name()] = info.ModTime()
			continue
		}
		l := f.open[e.Name()]
		if l == nil || l.size != info.Size() || !l.at.Equal(info.ModTime()) {
			f.open[e.Name()] = &landing{size: info.Size(), at: info.ModTime(), since: now}
			continue
		}
		if l.calm++; l.calm < watchCalm || l.told {
			continue
		}
		full := path.Join(f.name, e.Name())
		told := true
		switch err := d.whole(full); {
		case err == nil:
			delete(f.open, e.Name())
			f.known[e.Name()] = info.ModTime()
			told = send(fmt.Sprintf("id: %d\ndata: %s\n\n", info.ModTime().UnixNano(), full))
		case now.Sub(l.since) > watchUneasy:
			l.told = true
			told = send("event: partial\ndata: " + full + ": " + strings.ReplaceAll(report.Plainly(err), "\n", " ") + "\n\n")
		}
		if !told {
			return false
		}
	}
	return true
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
