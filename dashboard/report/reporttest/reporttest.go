// Package reporttest reads a report as a person would: its words page by page, and
// whether they stand where they can be read.
package reporttest

import (
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// Read returns the words of a PDF page by page. A word beyond the margins, and two that
// overlap, are errors of the test. It needs pdftotext of poppler and fails without it.
func Read(t testing.TB, pdf string) []string {
	t.Helper()
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Fatal("pdftotext is not installed, and by it a report is read; make tools installs it (Debian: poppler-utils)")
	}
	out, err := exec.Command(tool, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatalf("read %s: %v", pdf, err)
	}
	boxes, err := exec.Command(tool, "-bbox", pdf, "-").Output()
	if err != nil {
		t.Fatalf("read %s: %v", pdf, err)
	}
	pages := strings.Split(strings.TrimSuffix(string(out), "\f"), "\f")
	drawn := strings.Split(string(boxes), "<page ")[1:]
	if len(drawn) != len(pages) {
		t.Errorf("%s: %d pages by their words, %d by where those stand", pdf, len(pages), len(drawn))
	}
	for i, page := range drawn {
		look(t, i+1, page)
	}
	return pages
}

// The margins in millimetre from the left and the top edge, with the room that a box of
// a word has around its letters.
const leftMM, rightMM, topMM, bottomMM = 19.5, 198.5, 8, 290

var word = regexp.MustCompile(`<word xMin="([0-9.]+)" yMin="([0-9.]+)" xMax="([0-9.]+)" yMax="([0-9.]+)">([^<]*)</word>`)

// box is where a word stands, in point.
type box struct {
	x0, y0, x1, y1 float64
	text           string
}

// letters is the middle of the box, which letters fill: it is as high as a line.
func (b box) letters() (y0, y1 float64) {
	h := b.y1 - b.y0
	return b.y0 + 0.25*h, b.y1 - 0.25*h
}

func look(t testing.TB, number int, page string) {
	t.Helper()
	const mm = 72 / 25.4
	var all []box
	for _, m := range word.FindAllStringSubmatch(page, -1) {
		b := box{text: m[5]}
		for k, to := range []*float64{&b.x0, &b.y0, &b.x1, &b.y1} {
			v, err := strconv.ParseFloat(m[k+1], 64)
			if err != nil {
				t.Fatal(err)
			}
			*to = v
		}
		if b.x0 < leftMM*mm || b.x1 > rightMM*mm || b.y0 < topMM*mm || b.y1 > bottomMM*mm {
			t.Errorf("page %d: %q stands at %.0f to %.0f, %.0f to %.0f mm, beyond the margins", number, b.text, b.x0/mm, b.x1/mm, b.y0/mm, b.y1/mm)
		}
		a0, a1 := b.letters()
		for _, o := range all {
			if c0, c1 := o.letters(); b.x0 < o.x1-0.5 && o.x0 < b.x1-0.5 && a0 < c1 && c0 < a1 {
				t.Errorf("page %d: %q and %q overlap", number, o.text, b.text)
			}
		}
		all = append(all, b)
	}
	if len(all) == 0 {
		t.Errorf("page %d is empty", number)
	}
}
