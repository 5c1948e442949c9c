// Package draw draws results as SVG for pages and printed reports: the star on
// its pixels, the light path, the field, the night. A drawing is a fragment that
// stands inside a page; it is coloured only through the page's variables
// (--paper, --sheet, --ink, --soft, --hair, --mark), so that it follows the
// page's dress, and tells two things apart by solid and hatched, thick and thin,
// never by colour. It has no scripts and no style attributes. It computes no
// physics: what it shows was computed elsewhere.
package draw
