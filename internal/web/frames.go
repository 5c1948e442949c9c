package web

import (
	"encoding/json"
	"fmt"

	"holdfast/internal/solve"
	"holdfast/internal/star"
)

// measured is what measure answers, as the command does.
type measured struct {
	Frames []star.Frame `json:"frames"`
}

// solved is what solve answers, as the command does.
type solved struct {
	Frames []solve.Answer `json:"frames"`
}

// read reads a question.
func read(q json.RawMessage, into any) error {
	if err := json.Unmarshal(q, into); err != nil {
		return fmt.Errorf("web: found a question that can not be read: %s", err)
	}
	return nil
}
