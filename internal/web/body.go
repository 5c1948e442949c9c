package web

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"
)

// body reads the body of a request of at most limit bytes. A client that sends
// nothing for a while is given up.
func body(w http.ResponseWriter, r *http.Request, limit int64) ([]byte, error) {
	if r.ContentLength > limit {
		return nil, tooLarge(limit)
	}
	b, err := io.ReadAll(&patient{w: w, src: http.MaxBytesReader(w, r.Body, limit)})
	return b, readCause(err, limit)
}

// tooLarge says that a body is over its limit.
func tooLarge(limit int64) error {
	return fmt.Errorf("web: found more than %d megabytes: that is more than this takes", limit>>20)
}

// readCause says in plain words why a body could not be read.
func readCause(err error, limit int64) error {
	var big *http.MaxBytesError
	if errors.As(err, &big) {
		return tooLarge(limit)
	}
	if err != nil {
		return errors.New("web: what was sent broke off")
	}
	return nil
}

// patient reads from a client as long as it sends something now and then.
type patient struct {
	w   http.ResponseWriter
	src io.Reader
}

// Read reads what comes within the time that a silence may last.
func (p *patient) Read(b []byte) (int, error) {
	if err := http.NewResponseController(p.w).SetReadDeadline(time.Now().Add(stall)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.src.Read(b)
}
