package fits

import (
	"errors"
	"fmt"
)

// ErrShort marks a file that ends before what its header declares: it is
// truncated or still being written. Every *ShortError matches it with
// errors.Is.
var ErrShort = errors.New("the file is shorter than its header declares")

// A ShortError says how much of a file is missing. A caller watching a folder
// waits when it sees one and tries again.
type ShortError struct {
	Name string // the file
	HDU  int    // which header and data unit is cut, counted from 0
	Have int64  // bytes there are; for a compressed wrapper, bytes it holds once unpacked
	Want int64  // bytes needed for this unit; when the header itself is cut, the least that would do
}

// Error returns the message.
func (e *ShortError) Error() string {
	return fmt.Sprintf("fits: %s: HDU %d: %d bytes there, %d needed: truncated or still being written", e.Name, e.HDU, e.Have, e.Want)
}

// Is reports whether target is ErrShort.
func (e *ShortError) Is(target error) bool { return target == ErrShort }

// A CardError says which header card can not be used and why.
type CardError struct {
	Name string // the file, "" if the card was parsed on its own
	HDU  int    // which header and data unit, counted from 0
	Card int    // which card of the header, counted from 1; 0 if the card is missing
	Key  string // the keyword
	Got  string // the value as written
	Want string // what would do
}

// Error returns the message.
func (e *CardError) Error() string {
	where := "fits: "
	if e.Name != "" {
		where = fmt.Sprintf("fits: %s: HDU %d: ", e.Name, e.HDU)
	}
	if e.Card == 0 {
		return fmt.Sprintf("%sthere is no %s card: want %s", where, e.Key, e.Want)
	}
	return fmt.Sprintf("%sheader card %d: %s is %q: want %s", where, e.Card, e.Key, e.Got, e.Want)
}
