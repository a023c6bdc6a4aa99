// Command plot draws what "ashlamp replay --forecast 10m" prints: for each target the
// moment that was forecast, with its interval, over the moment of forecasting, and when
// it came by the verdicts of the same replay.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"image/color"
	"io"
	"os"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// line is what is read of one line of a replay.
type line struct {
	T        time.Time  `json:"t"`
	Forecast string     `json:"forecast"`
	Assuming string     `json:"assuming"`
	ETA      *time.Time `json:"eta"`
	Lo       *time.Time `json:"lo"`
	Hi       *time.Time `json:"hi"`
	Step     string     `json:"step"`
	Verdict  string     `json:"verdict"`
	Because  []struct {
		Evidence string `json:"evidence"`
		Verdict  string `json:"verdict"`
	} `json:"because"`
}

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: ashlamp replay ... --forecast 10m | plot out.png")
		os.Exit(2)
	}
	if err := run(os.Stdin, os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "plot:", err)
		os.Exit(1)
	}
}

// targets and the evidence (or, for house, the step) that tells when each came.
var targets = []struct{ target, evidence string }{
	{"pressure-zero", "pressure-zero"}, {"firebox-cool", "firebox-cool"}, {"house", ""},
}

func run(in io.Reader, out string) error {
	var lines []line
	sc := bufio.NewScanner(in)
	sc.Buffer(nil, 1<<20)
	for sc.Scan() {
		var l line
		if err := json.Unmarshal(sc.Bytes(), &l); err != nil {
			return fmt.Errorf("line %d: %w; give what replay prints", len(lines)+1, err)
		}
		lines = append(lines, l)
	}
	if err := sc.Err(); err != nil {
		return err
	}
	if len(lines) == 0 {
		return fmt.Errorf("nothing to draw; give what replay prints with --forecast 10m")
	}
	img := vgimg.New(30*vg.Centimeter, 27*vg.Centimeter)
	tiles := draw.Tiles{Rows: len(targets), Cols: 1, PadTop: vg.Points(8), PadBottom: vg.Points(8), PadLeft: vg.Points(8), PadRight: vg.Points(12), PadY: vg.Points(14)}
	for i, t := range targets {
		p, err := one(lines, t.target, t.evidence)
		if err != nil {
			return err
		}
		p.Draw(tiles.At(draw.New(img), 0, i))
	}
	f, err := os.Create(out)
	if err != nil {
		return err
	}
	defer f.Close()
	if _, err := (vgimg.PngCanvas{Canvas: img}).WriteTo(f); err != nil {
		return err
	}
	return f.Close()
}

// came returns when a target came by the verdicts, in Unix seconds, and false where it
// did not.
func came(lines []line, evidence string) (float64, bool) {
	for _, l := range lines {
		if l.Step != "house" {
			continue
		}
		if evidence == "" && l.Verdict == "proven" {
			return float64(l.T.Unix()), true
		}
		for _, b := range l.Because {
			if b.Evidence == evidence && b.Verdict == "proven" {
				return float64(l.T.Unix()), true
			}
		}
	}
	return 0, false
}

func one(lines []line, target, evidence string) (*plot.Plot, error) {
	p := plot.New()
	p.Title.Text = target
	p.X.Label.Text, p.Y.Label.Text = "forecast made at", "expected at"
	p.X.Tick.Marker = plot.TimeTicks{Format: "15:04"}
	p.Y.Tick.Marker = plot.TimeTicks{Format: "Mon 15:04"}
	p.Legend.Top = true
	colours := map[string]color.Color{"as-is": color.RGBA{0x1f, 0x4e, 0x79, 255}, "blown-down": color.RGBA{0xb4, 0x53, 0x09, 255}}
	for _, assuming := range []string{"as-is", "blown-down"} {
		var pts plotter.XYs
		var bars struct {
			plotter.XYs
			plotter.YErrors
		}
		for _, l := range lines {
			if l.Forecast != target || l.Assuming != assuming || l.ETA == nil {
				continue
			}
			y := float64(l.ETA.Unix())
			pts = append(pts, plotter.XY{X: float64(l.T.Unix()), Y: y})
			bars.XYs = append(bars.XYs, pts[len(pts)-1])
			bars.YErrors = append(bars.YErrors, struct{ Low, High float64 }{y - float64(l.Lo.Unix()), float64(l.Hi.Unix()) - y})
		}
		if len(pts) == 0 {
			continue
		}
		s, err := plotter.NewScatter(pts)
		if err != nil {
			return nil, err
		}
		s.Color, s.Radius, s.Shape = colours[assuming], vg.Points(3), draw.CircleGlyph{}
		e, err := plotter.NewYErrorBars(bars)
		if err != nil {
			return nil, err
		}
		e.Color, e.Width = colours[assuming], vg.Points(1)
		p.Add(e, s)
		p.Legend.Add(assuming+", with its 80 % interval", s)
	}
	if at, ok := came(lines, evidence); ok {
		l, err := plotter.NewLine(plotter.XYs{{X: float64(lines[0].T.Unix()), Y: at}, {X: at, Y: at}, {X: at, Y: float64(lines[0].T.Unix())}})
		if err != nil {
			return nil, err
		}
		l.Dashes = []vg.Length{vg.Points(4), vg.Points(3)}
		p.Add(l)
		p.Legend.Add("proven", l)
	}
	return p, nil
}
