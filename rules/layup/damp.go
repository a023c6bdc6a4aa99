package layup

import (
	"math"

	"ashlamp/rules/moistair"
	"ashlamp/rules/track"
)

// WetRH and WetAboveC are the time of wetness of ISO 9223:2012: hours with more than
// 80 %RH above 0 °C. The standard counts by the air; here the humidity is that which
// the air takes at the steel, which is what rusts.
const (
	WetRH     = 80
	WetAboveC = 0
	// GapS is the longest time between two readings that counts as watched (common
	// practice, no source).
	GapS = 1800
)

// Air is the air about or within the boiler beside the coldest metal it touches.
type Air struct {
	// TemperatureC in °C and HumidityPercent in %RH, of the air; MetalC in °C.
	TemperatureC, HumidityPercent, MetalC float64
}

// State is what that air comes to.
type State struct {
	// DewC is the dew point in °C, MarginK how far the metal is above it, AtSteel the
	// relative humidity that the air takes at the metal, over 100 where water settles.
	DewC, MarginK, AtSteel float64
	Band                   Dampness
}

// At returns the state of the air; an error of moistair where a figure lies outside
// what air can be.
func (a Air) At() (State, error) {
	dew, err := moistair.DewPoint(a.TemperatureC, a.HumidityPercent)
	if err != nil {
		return State{}, err
	}
	rh, err := moistair.HumidityAt(a.TemperatureC, a.HumidityPercent, a.MetalC)
	if err != nil {
		return State{}, err
	}
	return State{DewC: dew, MarginK: a.MetalC - dew, AtSteel: rh, Band: Band(rh)}, nil
}

// Hours counts for how long a lay-up has been damp. The zero value has counted
// nothing. Its memory is constant.
type Hours struct {
	last   track.Instant
	state  State
	metalC float64
	began  bool
	s      Damp
}

// Damp is how many seconds of a lay-up were watched, and how damp they were.
type Damp struct {
	// WatchedS were watched, UnknownS not.
	WatchedS, UnknownS float64
	// WetS had more than WetRH at the steel above WetAboveC (ISO 9223); RiskS had the
	// metal within the margin of the dew point.
	WetS, RiskS float64
	// WorstRH is the highest humidity at the steel, NaN where none was seen.
	WorstRH float64
}

// Add takes the air at one moment; marginK is from how near the dew point condensation
// is reckoned with (K). What holds at a moment counts until the next, if that is not
// further than GapS. Air that is none, or older than the last, is an error and changes
// nothing.
func (h *Hours) Add(at track.Instant, a Air, marginK float64) error {
	s, err := a.At()
	if err != nil {
		return err
	}
	if h.began && at <= h.last {
		return nil
	}
	if h.began {
		d := at.Sub(h.last)
		if d > GapS {
			h.s.UnknownS += d
		} else {
			h.s.WatchedS += d
			if h.state.AtSteel > WetRH && h.metalC > WetAboveC {
				h.s.WetS += d
			}
			if h.state.MarginK <= marginK {
				h.s.RiskS += d
			}
		}
	} else {
		h.s.WorstRH = s.AtSteel
	}
	h.s.WorstRH = math.Max(h.s.WorstRH, s.AtSteel)
	h.last, h.state, h.metalC, h.began = at, s, a.MetalC, true
	return nil
}

// Damp returns what was counted so far.
func (h *Hours) Damp() Damp {
	if !h.began {
		return Damp{WorstRH: math.NaN()}
	}
	return h.s
}

// Now returns the newest state, and false where it is older than GapS at now.
func (h *Hours) Now(now track.Instant) (State, bool) {
	if !h.began || now.Sub(h.last) > GapS {
		return State{}, false
	}
	return h.state, true
}

// SavedHours is all that [Hours] knows, for keeping over a restart.
type SavedHours struct {
	Last     track.Instant `json:"last,omitempty"`
	MarginK  float64       `json:"margin_k"`
	AtSteel  float64       `json:"at_steel"`
	DewC     float64       `json:"dew_c"`
	MetalC   float64       `json:"metal_c"`
	WatchedS float64       `json:"watched_s"`
	UnknownS float64       `json:"unknown_s"`
	WetS     float64       `json:"wet_s"`
	RiskS    float64       `json:"risk_s"`
	WorstRH  float64       `json:"worst_rh"`
}

// Saved returns what was counted, with the reading that holds until the next.
func (h *Hours) Saved() SavedHours {
	return SavedHours{
		Last: h.last, MarginK: h.state.MarginK, AtSteel: h.state.AtSteel, DewC: h.state.DewC, MetalC: h.metalC,
		WatchedS: h.s.WatchedS, UnknownS: h.s.UnknownS, WetS: h.s.WetS, RiskS: h.s.RiskS, WorstRH: h.s.WorstRH,
	}
}

// Restore takes up what was saved. Nothing saved is nothing counted.
func (h *Hours) Restore(s SavedHours) {
	*h = Hours{}
	if s.Last == 0 {
		return
	}
	*h = Hours{
		last: s.Last, began: true, metalC: s.MetalC,
		state: State{DewC: s.DewC, MarginK: s.MarginK, AtSteel: s.AtSteel, Band: Band(s.AtSteel)},
		s:     Damp{WatchedS: s.WatchedS, UnknownS: s.UnknownS, WetS: s.WetS, RiskS: s.RiskS, WorstRH: s.WorstRH},
	}
}
