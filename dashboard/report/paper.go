package report

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"unicode"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/sfnt"

	"ashlamp/rules/caution"
)

// The page in millimetre: A4 (ISO 216) upright, with room at the left to be bound.
const (
	pageW, pageH = 210.0, 297.0
	left, right  = 20.0, 198.0
	top, bottom  = 13.0, 273.0
	width        = right - left
)

// Sizes of type in point. Nothing is set smaller than the foot line.
const (
	titleSize, headSize, leadSize = 21.0, 12.5, 11.0
	bodySize, noteSize, footSize  = 8.5, 7.5, 7.0
)

// mm is the length of a point in millimetre.
const mm = 25.4 / 72

const (
	sans    = "sans"
	regular = ""
	bold    = "B"
)

// paper draws the pages of one evening.
type paper struct {
	e     *Evening
	pdf   *fpdf.Fpdf
	total int // pages; 0 while it is not known
	y     float64
	has   func(r rune) bool
	// what was read out of the evening
	steps []step
	stood []stand
	// head is drawn again where a table goes on over a page.
	again func()
}

func newPaper(e *Evening, total int) *paper {
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(left, top, pageW-right)
	pdf.AddUTF8FontFromBytes(sans, regular, bytes.Clone(liberationsansregular.TTF))
	pdf.AddUTF8FontFromBytes(sans, bold, bytes.Clone(liberationsansbold.TTF))
	// The same evening gives the same bytes.
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(e.Until.UTC())
	pdf.SetModificationDate(e.Until.UTC())
	pdf.SetProducer("Ashlamp", true)
	pdf.SetCreator("Ashlamp", true)
	pdf.SetLang("en-GB")
	pdf.SetDisplayMode("fullpage", "single")
	p := &paper{e: e, pdf: pdf, total: total, has: glyphs()}
	pdf.SetTitle(p.drawable("Disposal of "+e.Engine.Name+", "+p.day(e.Begun)), true)
	pdf.SetSubject(p.drawable("Record of disposal "+e.ID+" of "+e.Engine.Name+", "+e.Shed), true)
	p.steps = stepsOf(e)
	p.stood = standsOf(e)
	return p
}

// glyphs reports which characters the font has.
func glyphs() func(rune) bool {
	f, err := sfnt.Parse(liberationsansregular.TTF)
	if err != nil {
		return func(r rune) bool { return r < 0x17f }
	}
	var b sfnt.Buffer
	return func(r rune) bool {
		i, err := f.GlyphIndex(&b, r)
		return err == nil && i != 0
	}
}

// drawable puts a question mark in place of each character that the font does not have:
// names and reasons come from outside.
func (p *paper) drawable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == hard:
			return r
		case unicode.IsSpace(r):
			return ' '
		case r > 0xffff || !p.has(r):
			return '?'
		}
		return r
	}, s)
}

// hard is a space at which no line is broken.
const hard = '\u00a0'

// figured and initial find spaces between a figure and its unit, and between an initial
// and its name.
var (
	figured = regexp.MustCompile(`([0-9±]) ((?:°C|bar|min|h|s|K|ppm|hPa|mm|L)\b|[±°%0-9])`)
	initial = regexp.MustCompile(`(\b[A-Z]\.) ([A-Z])`)
)

func bound(s string) string {
	return initial.ReplaceAllString(figured.ReplaceAllString(s, "$1"+string(hard)+"$2"), "$1"+string(hard)+"$2")
}

func (p *paper) font(style string, size float64) { p.pdf.SetFont(sans, style, size) }

// text draws one line with its baseline at y and returns its width. It is cut short
// where it would pass the right margin.
func (p *paper) text(x, y float64, style string, size float64, s string) float64 {
	p.font(style, size)
	s = p.fit(p.drawable(s), right-x)
	p.pdf.Text(x, y, s)
	return p.pdf.GetStringWidth(s)
}

// textR is [paper.text] that ends at x.
func (p *paper) textR(x, y float64, style string, size float64, s string) {
	p.font(style, size)
	s = p.fit(p.drawable(s), x-left)
	p.pdf.Text(x-p.pdf.GetStringWidth(s), y, s)
}

// textC is [paper.text] with its middle at x.
func (p *paper) textC(x, y float64, style string, size float64, s string) {
	p.font(style, size)
	s = p.drawable(s)
	p.pdf.Text(x-p.pdf.GetStringWidth(s)/2, y, s)
}

func (p *paper) measure(style string, size float64, s string) float64 {
	p.font(style, size)
	return p.pdf.GetStringWidth(p.drawable(s))
}

// fit cuts a line to a width, in the present font.
func (p *paper) fit(s string, w float64) string {
	if p.pdf.GetStringWidth(s) <= w {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && p.pdf.GetStringWidth(string(r)+"…") > w {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// wrap breaks a text into lines of a width; a word that is longer than a line is broken.
func (p *paper) wrap(style string, size float64, s string, w float64) []string {
	p.font(style, size)
	var out []string
	line := ""
	s = bound(p.drawable(s))
	for _, word := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' }) {
		joined := word
		if line != "" {
			joined = line + " " + word
		}
		if p.pdf.GetStringWidth(joined) <= w {
			line = joined
			continue
		}
		if line != "" {
			out = append(out, line)
		}
		for p.pdf.GetStringWidth(word) > w {
			r := []rune(word)
			n := len(r) - 1
			for n > 1 && p.pdf.GetStringWidth(string(r[:n])) > w {
				n--
			}
			out, word = append(out, string(r[:n])), string(r[n:])
		}
		line = word
	}
	if line != "" || len(out) == 0 {
		out = append(out, line)
	}
	for i := range out {
		out[i] = strings.ReplaceAll(out[i], string(hard), " ")
	}
	return out
}

// leading is the distance of baselines.
func leading(size float64) float64 { return size * mm * 1.28 }

// page begins a page with its foot.
func (p *paper) page() {
	p.pdf.AddPage()
	p.pdf.SetTextColor(0, 0, 0)
	p.pdf.SetDrawColor(0, 0, 0)
	p.foot()
	p.y = top
	if p.pdf.PageNo() > 1 {
		id := ", disposal " + p.e.ID
		p.text(left, p.y+3, bold, noteSize, p.fitIn(p.e.Engine.Name, bold, noteSize, width/2-4-p.measure(bold, noteSize, id))+id)
		day := ", " + p.day(p.e.Begun)
		p.textR(right, p.y+3, regular, noteSize, p.fitIn(p.e.Shed, regular, noteSize, width/2-4-p.measure(regular, noteSize, day))+day)
		p.rule(p.y+4.6, 0.3)
		p.y += 10
	}
}

// foot has on every page what must never be missing on any.
func (p *paper) foot() {
	p.rule(bottom+3, 0.3)
	y := bottom + 6.4
	number := fmt.Sprintf("Page %d of %d", p.pdf.PageNo(), p.total)
	w := p.measure(bold, footSize, number) + 6
	for _, l := range p.wrap(regular, footSize, caution.AdviceLine, width-w) {
		p.text(left, y, regular, footSize, l)
		y += leading(footSize)
	}
	p.textR(right, bottom+6.4, bold, footSize, number)
	p.text(left, y, regular, footSize, "A record of what was known, not proof that the work was rightly done; it does not replace the statutory books.")
}

func (p *paper) rule(y, w float64) {
	p.pdf.SetLineWidth(w)
	p.pdf.Line(left, y, right, y)
}

// room begins a new page where there is less left than h.
func (p *paper) room(h float64) {
	if p.y+h > bottom {
		p.page()
		if p.again != nil {
			p.again()
		}
	}
}

// heading begins a section; together is the height of what must not be parted from it.
func (p *paper) heading(s string, together float64) {
	p.room(10 + together)
	p.y += 5
	p.text(left, p.y, bold, headSize, s)
	p.pdf.Bookmark(p.drawable(s), 0, p.y-5)
	p.rule(p.y+2, 0.4)
	p.y += 4
}

// para draws a paragraph from the left margin on.
func (p *paper) para(style string, size float64, s string) { p.paraAt(left, width, style, size, s) }

func (p *paper) paraAt(x, w float64, style string, size float64, s string) {
	for _, l := range p.wrap(style, size, s, w) {
		p.room(leading(size))
		p.y += leading(size)
		p.text(x, p.y-0.22*leading(size), style, size, l)
	}
}

// column of a table.
type column struct {
	title string
	w     float64
	right bool // figures end at the right
	style string
}

// row is the cells of a table's row; a cell may have several paragraphs, by line feeds.
type row []string

const (
	// cellGap parts columns; figures that end at the right keep twice of it.
	cellGap = 2.0
	rowPad  = 1.5
)

// table draws rows, each whole on one page where it has room on one, under the heads of
// their columns.
func (p *paper) table(columns []column, rows []row) {
	heads := func() {
		x := left
		p.y += leading(noteSize)
		for _, c := range columns {
			if c.right {
				p.textR(x+c.w-2*cellGap, p.y-1, regular, noteSize, c.title)
			} else {
				p.text(x, p.y-1, regular, noteSize, c.title)
			}
			x += c.w
		}
		p.rule(p.y+0.4, 0.2)
		p.y += 0.8
	}
	heads()
	p.again = heads
	for _, r := range rows {
		lines := make([][]string, len(columns))
		most := 1
		for i, c := range columns {
			for _, part := range strings.Split(r[i], "\n") {
				lines[i] = append(lines[i], p.wrap(c.style, bodySize, part, c.w-cellGap)...)
			}
			most = max(most, len(lines[i]))
		}
		for first := 0; first < most; {
			n := most - first
			if whole := float64(n)*leading(bodySize) + rowPad; whole <= bottom-top-30 {
				p.room(whole)
			} else {
				p.room(4 * leading(bodySize))
				n = min(n, int((bottom-p.y-rowPad)/leading(bodySize)))
			}
			x := left
			for i, c := range columns {
				for k := first; k < min(first+n, len(lines[i])); k++ {
					y := p.y + float64(k-first+1)*leading(bodySize) - 0.2
					if c.right {
						p.textR(x+c.w-2*cellGap, y, c.style, bodySize, lines[i][k])
					} else {
						p.text(x, y, c.style, bodySize, lines[i][k])
					}
				}
				x += c.w
			}
			p.y += float64(n)*leading(bodySize) + rowPad
			first += n
		}
		p.pdf.SetDrawColor(0x99, 0x99, 0x99)
		p.rule(p.y, 0.1)
		p.pdf.SetDrawColor(0, 0, 0)
	}
	p.again = nil
	p.y += 2
}
