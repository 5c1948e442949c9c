// Command holdfast predicts the star that a telescope, its guide telescope and
// its mount will make, says why, and what to change. It does not guide.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"holdfast/internal/app"
	"holdfast/internal/report"
)

// The exit statuses.
const (
	done      = 0 // all within goal, or no goal applies
	failed    = 1 // something could not be done
	misused   = 2 // wrong flags
	outOfGoal = 3 // done, something out of goal
	open      = 4 // done, something refused or not judged
)

// version is set by the linker for a release.
var version = ""

// verbs are the commands and the flags that stand before them.
type verbs struct {
	Init  initVerb  `cmd:"" help:"Write a commented starter rig file."`
	Plan  planVerb  `cmd:"" help:"The star this rig will make of a target on a night, why, and what to change."`
	Stars starsVerb `cmd:"" help:"Guide stars in the true field of a target, the best first."`
	Path  pathVerb  `cmd:"" help:"The light path: spacers, turns to focus, threads, pick-off, holder, load."`
	Reach reachVerb `cmd:"" help:"The star against one or two entries of the rig: what limits it and where it stops."`

	Measure measureVerb `cmd:"" help:"Stars and summaries of frames: widths, shapes, flags."`
	Solve   solveVerb   `cmd:"" help:"Where frames point, or why that cannot be said."`
	Focus   focusVerb   `cmd:"" help:"How far from focus, by how many turns, or the best position of a run."`
	Seek    seekVerb    `cmd:"" help:"What bright targets must look like on the guide camera, in focus and far from it."`
	Sight   sightVerb   `cmd:"" help:"How far apart two telescopes point, whether it matters, which screw how much."`
	Pole    poleVerb    `cmd:"" help:"Where the polar axis of the mount points: which knob, which way, how much."`
	Drive   driveVerb   `cmd:"" help:"What a record of guide offsets, or guide frames, tell of the drive: drift, periods, play, the loop and its settings."`
	Flex    flexVerb    `cmd:"" help:"How the telescopes move against each other, and how long a sub stays round for it."`

	Prove proveVerb `cmd:"" help:"The morning after: were the stars round, and if not which cause, how sure, what to change first."`

	Rehearse rehearseVerb `cmd:"" help:"A night in time: frames, series and the truth, to test against or to learn from."`

	Report reportVerb `cmd:"" help:"One HTML file to read or print: a plan with its light path, or the proof of a night."`
	Serve  serveVerb  `cmd:"" help:"The pages, served to this machine: the star before the night, the fault after it."`

	Version kong.VersionFlag `help:"Print the version and stop."`
}

// session is what a verb works in.
type session struct {
	ctx            context.Context
	verb           string
	json           bool
	stdin          io.Reader
	stdout, stderr io.Writer
	status         int
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	status := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

// exited is how kong stops after --help and --version.
type exited int

// run executes one command line and returns its exit status.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) (status int) {
	s := &session{ctx: ctx, stdin: stdin, stdout: stdout, stderr: stderr, json: slices.Contains(args, "--json")}
	defer func() {
		if code, ok := recover().(exited); ok {
			status = int(code)
		}
	}()
	var v verbs
	k, err := kong.New(&v, kong.Name("holdfast"), kong.Writers(stdout, stderr), kong.Exit(func(code int) { panic(exited(code)) }),
		kong.Description("Predicts the star that a telescope, its guide telescope and its mount will make, and what to change. It does not guide."),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true, WrapUpperBound: 80}), kong.Vars{"version": "holdfast " + versionText(), "kinds": kindList(), "faults": faultList()},
		kong.UsageOnError())
	if err != nil {
		panic(err) // the flags are declared wrongly
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	kctx, err := k.Parse(args)
	if err != nil {
		if pe, ok := errors.AsType[*kong.ParseError](err); ok && pe.Context != nil && pe.Context.Selected() != nil {
			s.verb = pe.Context.Selected().Name
		}
		return s.fail(err, misused, report.Notes{})
	}
	s.verb = kctx.Selected().Name
	quiet := s.progress()
	err = kctx.Run(s)
	quiet()
	if err != nil {
		return max(s.status, failed)
	}
	return s.status
}

// errReported stands for an error that the user has been told already.
var errReported = errors.New("reported")

// fail tells the user of an error and returns the exit status that stands for
// it.
func (s *session) fail(err error, status int, n report.Notes) int {
	message := report.Plainly(err)
	for _, c := range n.Cautions {
		if c.Danger {
			fmt.Fprintf(s.stderr, "holdfast: DANGER: %s\n", c.Text)
		}
	}
	for line := range strings.Lines(message) {
		fmt.Fprintf(s.stderr, "holdfast: %s\n", strings.TrimRight(line, "\n"))
	}
	if s.json {
		s.write(report.JSON(s.stdout, s.envelope(nil, n, message)))
	}
	return status
}

// failed reports a verb's error with what is known by then.
func (s *session) failed(err error, n report.Notes) error {
	status := failed
	if _, ok := errors.AsType[*app.UsageError](err); ok {
		status = misused
	}
	s.status = s.fail(err, status, n)
	return errReported
}

// deliver prints a result, as JSON or by text, and settles the exit status.
func (s *session) deliver(result any, n report.Notes, status int, text func(io.Writer) error) error {
	s.status = status
	if s.json {
		return s.write(report.JSON(s.stdout, s.envelope(result, n, "")))
	}
	return s.write(text(s.stdout))
}

// write reports output that could not be written.
func (s *session) write(err error) error {
	if err == nil {
		return nil
	}
	fmt.Fprintf(s.stderr, "holdfast: the answer could not be written: %v\n", err)
	s.status = failed
	return errReported
}

// envelope returns what --json prints.
func (s *session) envelope(result any, n report.Notes, message string) report.Envelope {
	return report.NewEnvelope(versionText(), s.verb, n, result, message)
}

// rigFlags are the flags of every verb that reads a rig.
type rigFlags struct {
	Rig  string   `arg:"" help:"Rig file; - reads standard input."`
	Set  []string `sep:"none" placeholder:"ENTRY=VALUE" help:"Override an entry of the rig, as in --set site.seeing=\"3 arcsec\". May be repeated."`
	JSON bool     `name:"json" help:"Print the answer as JSON."`

	Assumed bool `help:"List everything that was assumed, not only what matters most."`
}

// skyFlags are the flags of every verb that looks at the sky.
type skyFlags struct {
	Target string `placeholder:"NAME" help:"Target: a name or coordinates. Otherwise the rig's, or a bright one that stands high."`
	Date   string `placeholder:"YYYY-MM-DD" help:"Date of the local evening. Otherwise tonight."`
}

// task returns the use case of the flags.
func (f rigFlags) task(s *session) app.Task {
	return app.Task{Rig: f.Rig, Set: f.Set, Stdin: s.stdin, Now: time.Now()}
}

// sky adds the sky's flags to a task.
func (f skyFlags) sky(t app.Task) app.Task {
	t.Target, t.Date = f.Target, f.Date
	return t
}

// unanswered returns what stands beside an error: at least the Sun.
func unanswered[R any](a *app.Answer[R]) report.Notes {
	if a == nil {
		return report.Notes{}
	}
	return report.NewNotes(a.Rig, a.Assumed, report.SunCautions(a.SunApart))
}

// versionText returns the version of this build.
func versionText() string {
	if version != "" {
		return version
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" && info.Main.Version != "(devel)" {
		return info.Main.Version
	}
	return "devel"
}
