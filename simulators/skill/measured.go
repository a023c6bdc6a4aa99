package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strconv"

	"ashlamp/rules/forecast"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/simulators/skill/evening"
	"ashlamp/simulators/skill/rival"
)

// record is one body that somebody measured as it cooled.
type record struct {
	name string
	// litres is the boiler that it is taken for; empty that it is metal alone.
	litres float64
	empty  bool
	air    float64
	past   []rival.Reading
}

// roomC is the air taken for a room whose temperature nobody stated, °C (common
// practice); forecasts and rivals are given the same.
const roomC = 20

// records reads the measured cooling data: five drinking vessels (A. Lobanov, 2017) and
// Rumford's gun-metal cylinder (Philosophical Transactions 88 (1798) 80-102). Sources
// stand beside the files.
func records(dir string) ([]record, error) {
	rows, err := readTable(filepath.Join(dir, "cooling_five_vessels.csv"))
	if err != nil {
		return nil, err
	}
	byVessel := map[float64]*record{}
	for _, r := range rows {
		v := byVessel[r[0]]
		if v == nil {
			v = &record{name: fmt.Sprintf("vessel %.0f", r[0]), litres: 0.3, air: roomC}
			byVessel[r[0]] = v
		}
		v.past = append(v.past, rival.Reading{At: r[1], Value: r[2]})
	}
	var out []record
	for _, v := range byVessel {
		out = append(out, *v)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].name < out[j].name })
	rows, err = readTable(filepath.Join(dir, "cooling_rumford_1798.csv"))
	if err != nil {
		return nil, err
	}
	// 113 lb of metal are those of a boiler of 25 l, at 2 kg a litre; air of 60 °F.
	r := record{name: "gun-metal", litres: 25, empty: true, air: (60 - 32) / 1.8}
	for _, x := range rows {
		r.past = append(r.past, rival.Reading{At: x[0] * 60, Value: x[2]})
	}
	return append(out, r), nil
}

func readTable(path string) ([][]float64, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("measured data: %w; run from the project's folder, or give it with -data", err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("measured data %s: %w", path, err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i := range row {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				return nil, fmt.Errorf("measured data %s: %w", path, err)
			}
		}
		out = append(out, v)
	}
	return out, nil
}

// parts of a record's fall that are forecast.
var parts = []float64{0.6, 0.8, 1}

// real scores the forecasts on the measured data. The estimator is the one that engines
// are forecast by, with what is believed of an engine as large: nothing is fitted here.
func real(dir string, scores map[key]map[string]*tally) error {
	all, err := records(dir)
	if err != nil {
		return err
	}
	for _, r := range all {
		for _, part := range parts {
			first, last := r.past[0].Value, r.past[len(r.past)-1].Value
			limit := first - part*(first-last)
			s := follow(r, limit)
			score(scores, &evening.Result{Stretches: []evening.Stretch{s}})
		}
	}
	return nil
}

// follow forecasts one record at each of its readings.
func follow(r record, limit float64) evening.Stretch {
	const noon = track.Instant(12 * 3600 * 1e6)
	at := func(s float64) track.Instant { return noon.Add(s) }
	est := forecast.New(forecast.Engine{VolumeL: r.litres, BoreMM: 10, ULevel: 0.02}, forecast.Unseen(r.litres))
	est.Stand(at(r.past[0].At), forecast.Standing{FireOut: true, Empty: r.empty, PanShut: true})
	nan := math.NaN()
	l := forecast.Limits{MovePa: nan, ZeroPa: 1e4, ShellC: limit, FireboxC: nan, SmokeboxC: nan, AirPa: 101325, HousePa: nan}
	s := evening.Stretch{From: r.past[0].At, To: r.past[len(r.past)-1].At, Reached: map[forecast.Target]float64{}}
	for i, x := range r.past {
		est.Sample(telemetry.AmbientTemp, at(x.At), r.air)
		est.Sample("boiler.shell.body", at(x.At), x.Value)
		m := evening.Made{At: x.At, Target: forecast.BelowBoiling, Assuming: forecast.AsIs, Line: nan, Exp: nan}
		for _, f := range est.Forecasts(at(x.At), l) {
			if f.Target == m.Target && f.ETA != 0 {
				m.Told, m.ETA, m.Lo, m.Hi = true, f.ETA.Sub(noon), f.Lo.Sub(noon), f.Hi.Sub(noon)
			}
		}
		m.Line = x.At + rival.Line(r.past[:i+1], limit)
		m.Exp = x.At + rival.Exponential(r.past[:i+1], r.air, limit)
		s.Made = append(s.Made, m)
		if i > 0 && x.Value <= limit && s.Reached[m.Target] == 0 {
			b := r.past[i-1]
			s.Reached[m.Target] = b.At + (x.At-b.At)*(b.Value-limit)/(b.Value-x.Value)
		}
	}
	return s
}
