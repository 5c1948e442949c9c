package web

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"

	"holdfast/internal/app"
	"holdfast/internal/report"
)

// viewHead says what the bytes of a view are, in the header Holdfast-View.
type viewHead struct {
	FrameWidth  int      `json:"frame_width_px"`
	FrameHeight int      `json:"frame_height_px"`
	X           int      `json:"x_px"`
	Y           int      `json:"y_px"`
	Width       int      `json:"width"`
	Height      int      `json:"height"`
	Bin         int      `json:"bin"`
	From        float64  `json:"from_adu"`
	Step        float64  `json:"step_adu"`
	Sky         float64  `json:"sky_adu"`
	Noise       float64  `json:"noise_adu"`
	Notes       []string `json:"notes"`
}

// preview answers GET /api/preview?file=&side=: a frame averaged down to side
// pixels, as numbers of two bytes, the low one first, row by row from the top.
func (s *Server) preview(w http.ResponseWriter, r *http.Request) {
	s.view(w, r, "preview", func(ctx context.Context, name string) (*app.View, error) {
		side, err := whole(r, "side")
		if err != nil {
			return nil, err
		}
		return app.Overview(ctx, name, side)
	})
}

// tile answers GET /api/tile?file=&x=&y=: the pixels of a frame themselves, at
// most 512 by 512, in the form of a preview.
func (s *Server) tile(w http.ResponseWriter, r *http.Request) {
	s.view(w, r, "tile", func(ctx context.Context, name string) (*app.View, error) {
		x, err := whole(r, "x")
		if err != nil {
			return nil, err
		}
		y, err := whole(r, "y")
		if err != nil {
			return nil, err
		}
		return app.Tile(ctx, name, x, y)
	})
}

// whole reads a whole number of the address.
func whole(r *http.Request, key string) (int, error) {
	text := r.URL.Query().Get(key)
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		return 0, fmt.Errorf("web: %s: found %q: want a whole number from 0", key, text)
	}
	return n, nil
}

// view writes a view of a file of the desk. A client that goes away stops it.
func (s *Server) view(w http.ResponseWriter, r *http.Request, verb string, look func(ctx context.Context, name string) (*app.View, error)) {
	var v *app.View
	err := s.looking(r, func(name string) (err error) {
		v, err = look(r.Context(), name)
		return err
	})
	if err != nil {
		s.refuseLook(w, verb, err)
		return
	}
	notes := v.Notes
	if notes == nil {
		notes = []string{}
	}
	head, err := json.Marshal(viewHead{v.FrameWidth, v.FrameHeight, v.X, v.Y, v.Width, v.Height, v.Bin, float64(v.From), float64(v.Step), float64(v.Sky), float64(v.Noise), notes})
	if err != nil {
		s.refuseLook(w, verb, err)
		return
	}
	b := make([]byte, 2*len(v.Pixels))
	for i, p := range v.Pixels {
		binary.LittleEndian.PutUint16(b[2*i:], p)
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Holdfast-View", string(head))
	_, _ = w.Write(b) // a client that went away is none of ours
}

// looking opens the file that a request names, when fewer than two others are
// being looked at.
func (s *Server) looking(r *http.Request, look func(name string) error) error {
	name, err := s.desk.path(r.URL.Query().Get("file"))
	if err != nil {
		return err
	}
	select {
	case s.views <- struct{}{}:
		defer func() { <-s.views }()
	case <-r.Context().Done():
		return r.Context().Err()
	}
	return look(name)
}

// refuseLook writes why a frame is not shown.
func (s *Server) refuseLook(w http.ResponseWriter, verb string, err error) {
	status := http.StatusUnprocessableEntity
	if errors.Is(err, errOutside) {
		status = http.StatusNotFound
	}
	s.refuse(w, status, verb, report.Notes{}, err)
}

// seen are the stars of a frame as they lie on its view: y grows downwards, and
// angles turn from +x towards it.
type seen struct {
	Width      int          `json:"frame_width_px"`
	Height     int          `json:"frame_height_px"`
	StarsFound int          `json:"stars_found"`
	FWHM       float64      `json:"fwhm_px"`
	Out        float64      `json:"ellipticity"`
	Error      string       `json:"error,omitempty"`
	Stars      [][5]float64 `json:"stars"` // x, y, major and minor FWHM in pixels, angle in degrees; the brightest first
}

// mostShapes is how many stars are drawn on a view.
const mostShapes = 1500

// shapes answers GET /api/shapes?file=: the good stars of a frame or of a table
// of stars.
func (s *Server) shapes(w http.ResponseWriter, r *http.Request) {
	var out seen
	err := s.looking(r, func(name string) error {
		m, up, err := app.Shapes(r.Context(), name)
		if err != nil {
			return err
		}
		out = seen{Width: m.Width, Height: m.Height, StarsFound: m.StarsFound, FWHM: float64(m.FWHM), Out: m.Ellipticity, Error: m.Error, Stars: [][5]float64{}}
		for i := range m.Stars {
			st := &m.Stars[i]
			if !st.Good() || len(out.Stars) == mostShapes || math.IsNaN(float64(st.Major+st.Minor)) {
				continue
			}
			y, angle := float64(st.Y), float64(st.Angle)
			if up {
				y, angle = float64(m.Height-1)-y, -angle
			}
			out.Stars = append(out.Stars, [5]float64{float64(st.X), y, float64(st.Major), float64(st.Minor), angle})
		}
		return nil
	})
	if err != nil {
		s.refuseLook(w, "shapes", err)
		return
	}
	reply(w, http.StatusOK, out)
}
