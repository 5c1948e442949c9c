package web

import (
	"context"
	"encoding/json"
	"fmt"

	"holdfast/internal/app"
	"holdfast/internal/report"
	"holdfast/internal/star"
)

// framesAsk names frames, or folders of them, to measure.
type framesAsk struct {
	Files []string `json:"files"`
}

// measured is what measure answers, as the command does.
type measured struct {
	Frames []star.Frame `json:"frames"`
}

// measure finds the stars of frames and summarises them.
func measure(ctx context.Context, s *Server, q json.RawMessage, done func(n, of int)) (any, report.Notes, error) {
	var ask framesAsk
	if err := read(q, &ask); err != nil {
		return nil, report.Notes{}, err
	}
	files, err := s.desk.paths(ask.Files)
	if err != nil {
		return nil, report.Notes{}, err
	}
	frames, err := app.Frames{Files: files, Done: done}.Measure(ctx)
	if err != nil {
		return nil, report.Notes{}, err
	}
	return measured{frames}, report.Notes{}, nil
}

// read reads a question.
func read(q json.RawMessage, into any) error {
	if err := json.Unmarshal(q, into); err != nil {
		return fmt.Errorf("web: found a question that can not be read: %s", err)
	}
	return nil
}
