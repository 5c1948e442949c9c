package web

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

	"holdfast/internal/app"
)

// desk is what pages may see of the disk: the folders named at the start and
// the keep. Files are named to pages by the folder's label and the path inside
// it, such as "night/subs/003.fits"; "kept" is the label of what was dropped.
type desk struct {
	rig    string
	keep   *os.Root
	within string // path of the keep
	roots  []root

	mu      sync.Mutex
	watches map[chan string]bool
}

// root is a folder named at the start.
type root struct {
	Label string
	Path  string
	root  *os.Root
}

// kept is the label of the folder of dropped frames inside the keep.
const kept = "kept"

// openDesk opens the folders.
func openDesk(cfg Config) (*desk, error) {
	d := &desk{rig: cfg.Rig, within: cfg.Keep, watches: map[chan string]bool{}}
	for _, sub := range []string{kept, "notes", "works"} {
		if err := os.MkdirAll(filepath.Join(cfg.Keep, sub), 0o700); err != nil {
			return nil, fmt.Errorf("web: --keep %s: %w", cfg.Keep, err)
		}
	}
	var err error
	if d.keep, err = os.OpenRoot(cfg.Keep); err != nil {
		return nil, fmt.Errorf("web: --keep %s: %w", cfg.Keep, err)
	}
	if err := d.clear(); err != nil {
		return nil, err
	}
	inner, err := os.OpenRoot(filepath.Join(cfg.Keep, kept))
	if err != nil {
		return nil, fmt.Errorf("web: --keep %s: %w", cfg.Keep, err)
	}
	d.roots = []root{{kept, filepath.Join(cfg.Keep, kept), inner}}
	for _, f := range cfg.Folders {
		abs, err := filepath.Abs(f)
		if err != nil {
			return nil, fmt.Errorf("web: --folder %s: %w", f, err)
		}
		r, err := os.OpenRoot(abs)
		if err != nil {
			return nil, fmt.Errorf("web: --folder %s: found no folder that can be opened: name one that is there", f)
		}
		label := d.label(filepath.Base(abs))
		d.roots = append(d.roots, root{label, abs, r})
	}
	return d, nil
}

// clear removes what a drop that was cut short left behind.
func (d *desk) clear() error {
	return fs.WalkDir(d.keep.FS(), ".", func(name string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() && strings.HasSuffix(name, ".part") {
			return d.keep.Remove(name)
		}
		return err
	})
}

// label returns a name for a folder that no other has.
func (d *desk) label(base string) string {
	name := base
	for n := 2; slices.ContainsFunc(d.roots, func(r root) bool { return r.Label == name }); n++ {
		name = fmt.Sprintf("%s-%d", base, n)
	}
	return name
}

// errOutside is returned for what lies in no folder of the desk.
var errOutside = errors.New("web: that is in none of the folders named at the start")

// find returns the folder of a file's name and the path inside it.
func (d *desk) find(name string) (*root, string, error) {
	label, rest, _ := strings.Cut(path.Clean("/" + name)[1:], "/")
	if rest == "" {
		rest = "."
	}
	for i := range d.roots {
		if d.roots[i].Label == label {
			return &d.roots[i], rest, nil
		}
	}
	return nil, "", errOutside
}

// path returns the path on the disk of a file or folder that a page names. What
// lies outside the desk, also by way of a link, is refused.
func (d *desk) path(name string) (string, error) {
	r, rest, err := d.find(name)
	if err != nil {
		return "", err
	}
	if _, err := r.root.Stat(filepath.FromSlash(rest)); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("web: %s: there is no such file", name)
		}
		return "", errOutside
	}
	return filepath.Join(r.Path, filepath.FromSlash(rest)), nil
}

// paths is path for several.
func (d *desk) paths(names []string) ([]string, error) {
	out := make([]string, 0, len(names))
	for _, n := range names {
		p, err := d.path(n)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

// name returns how pages call a path of the disk, the path itself if it is in
// no folder of the desk.
func (d *desk) name(p string) string {
	for _, r := range d.roots {
		if rel, err := filepath.Rel(r.Path, p); err == nil && filepath.IsLocal(rel) {
			return path.Join(r.Label, filepath.ToSlash(rel))
		}
	}
	return p
}

// item is one thing in a folder.
type item struct {
	Name   string `json:"name"`
	Path   string `json:"path"`
	Folder bool   `json:"folder"`
	Frame  bool   `json:"frame"`
	Bytes  int64  `json:"size_bytes"`
}

// most is how many things of one folder are listed.
const most = 5000

// list returns what a folder holds, folders first; the empty name lists the
// folders of the desk.
func (d *desk) list(name string) ([]item, error) {
	out := []item{} // an empty folder is a list without items
	if name == "" {
		for _, r := range d.roots {
			out = append(out, item{Name: r.Label, Path: r.Label, Folder: true})
		}
		return out, nil
	}
	r, rest, err := d.find(name)
	if err != nil {
		return nil, err
	}
	entries, err := fs.ReadDir(r.root.FS(), filepath.ToSlash(rest))
	if err != nil {
		return nil, fmt.Errorf("web: %s: found no folder that can be read", name)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") || strings.HasSuffix(e.Name(), ".part") || len(out) == most {
			continue
		}
		it := item{Name: e.Name(), Path: path.Join(name, e.Name()), Folder: e.IsDir(), Frame: app.IsPicture(e.Name())}
		if info, err := e.Info(); err == nil && !e.IsDir() {
			it.Bytes = info.Size()
		}
		out = append(out, it)
	}
	slices.SortStableFunc(out, func(a, b item) int {
		if a.Folder != b.Folder {
			if a.Folder {
				return -1
			}
			return 1
		}
		return strings.Compare(a.Name, b.Name)
	})
	return out, nil
}

// fit is what a dropped file may be called.
var unfit = regexp.MustCompile(`[^A-Za-z0-9._+-]+`)

// fit returns a name that any system stores, from what a page calls a file.
func fit(name string) string {
	name = strings.Trim(unfit.ReplaceAllString(path.Base("/"+strings.ReplaceAll(name, "\\", "/")), "_"), "._")
	if len(name) > 100 {
		name = name[len(name)-100:]
	}
	if name == "" {
		return "frame"
	}
	return name
}

// drop stores a dropped file whole or not at all and returns its name. Files
// dropped together share a batch, which is a folder; the same bytes under the
// same name are stored once.
func (d *desk) drop(batch, name string, src io.Reader) (string, error) {
	dir := kept
	if batch != "" {
		dir = path.Join(kept, fit(batch))
		if err := d.keep.MkdirAll(dir, 0o700); err != nil {
			return "", fmt.Errorf("web: %w", err)
		}
	}
	part := path.Join(dir, secret(16)+".part")
	f, err := d.keep.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return "", fmt.Errorf("web: %w", err)
	}
	sum := sha256.New()
	_, err = io.Copy(io.MultiWriter(f, sum), src)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		_ = d.keep.Remove(part) // gone at the next start if not now
		return "", err
	}
	name = fit(name)
	if batch == "" {
		name = hex.EncodeToString(sum.Sum(nil))[:8] + "-" + name
	}
	full := path.Join(dir, name)
	if err := d.keep.Rename(part, full); err != nil {
		return "", fmt.Errorf("web: %w", err)
	}
	return full, nil
}

// noteName is what notes may be called.
var noteName = regexp.MustCompile(`^[a-z][a-z0-9-]{0,63}$`)

// note returns what was noted under a name, nil if nothing was.
func (d *desk) note(name string) ([]byte, error) {
	if !noteName.MatchString(name) {
		return nil, fmt.Errorf("web: found %q: the name of a note is made of small letters, digits and hyphens", name)
	}
	b, err := fs.ReadFile(d.keep.FS(), "notes/"+name+".json")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return b, err
}

// setNote notes something; it is on the disk when setNote returns. Other pages
// are told.
func (d *desk) setNote(name string, text []byte) error {
	if !noteName.MatchString(name) {
		return fmt.Errorf("web: found %q: the name of a note is made of small letters, digits and hyphens", name)
	}
	if err := app.WriteFile(filepath.Join(d.within, "notes", name+".json"), text); err != nil {
		return err
	}
	d.tell("note " + name)
	return nil
}

// watch returns a channel on which news arrive until unwatch is called.
func (d *desk) watch() (news chan string, unwatch func()) {
	news = make(chan string, 16)
	d.mu.Lock()
	d.watches[news] = true
	d.mu.Unlock()
	return news, func() {
		d.mu.Lock()
		delete(d.watches, news)
		d.mu.Unlock()
	}
}

// tell sends news to every page that watches; one that is too slow misses them.
func (d *desk) tell(what string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for w := range d.watches {
		select {
		case w <- what:
		default:
		}
	}
}
