// Package limit declares every limit that the judgement compares with: its key
// in the configuration, unit, default, permitted span and source.
//
// A default is a starting point from general practice. The engine's maker's
// book, its written scheme and the competent person outrank it.
package limit

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// Key is a limit's name under [engine.limits] in the configuration.
type Key string

// The keys. Each is explained in [Table].
const (
	ZeroBand         Key = "zero_band_bar"
	ZeroHold         Key = "zero_hold_s"
	Hold             Key = "hold_s"
	FreshPressure    Key = "fresh_pressure_s"
	FreshTemperature Key = "fresh_temperature_s"
	FreshTank        Key = "fresh_tank_s"
	FreshShed        Key = "fresh_shed_s"
	BoilingMargin    Key = "boiling_margin_k"
	WaterToDrop      Key = "water_to_drop"
	WaterToRest      Key = "water_to_rest"
	DropMin          Key = "drop_min_bar"
	DropMax          Key = "drop_max_bar"
	MoveMin          Key = "move_min_bar"
	MoveMinutes      Key = "move_minutes"
	BlowDownMin      Key = "blow_down_min_bar"
	BlowDownMax      Key = "blow_down_max_bar"
	BlowDownBore     Key = "blow_down_bore_mm"
	FireOut          Key = "fire_out_c"
	HouseFirebox     Key = "house_firebox_c"
	HouseSmokebox    Key = "house_smokebox_c"
	RestFirebox      Key = "rest_firebox_c"
	RestSmokebox     Key = "rest_smokebox_c"
	Touch            Key = "touch_c"
	OpenSmokebox     Key = "open_smokebox_c"
	TankEmpty        Key = "tank_empty"
	HousedMax        Key = "housed_max_bar"
	Relit            Key = "relit_k"
	BarrelRH         Key = "barrel_rh"
	CO               Key = "co_ppm"
	RunDryWaiver     Key = "waive_run_dry_c"
	Rising           Key = "rising_bar"
	Vacuum           Key = "vacuum_bar"
	Unbalanced       Key = "unbalanced"
	Frost            Key = "frost_c"
	DewMargin        Key = "dew_margin_k"
	Cooling          Key = "cooling_k_per_h"
	Spread           Key = "spread_k"
)

// None is the default of a limit that only the engine's owner can set.
var None = math.NaN()

// Limit is the declaration of one limit.
type Limit struct {
	Key  Key
	Unit string
	// Default is in Unit; NaN where the owner must set it, or where it follows
	// from another figure of the engine, which Meaning then names.
	Default float64
	// Min and Max are what the configuration accepts.
	Min, Max float64
	Meaning  string
	Source   string
}

const cp = "common practice, no source"

// Table returns every limit, in the order in which a person would read them.
func Table() []Limit {
	return []Limit{
		{ZeroBand, "bar", None, 0.001, 0.10, "the transducer's zero band; by default its expanded uncertainty, and never wider than 0.10", "EN 837-1 classes show that a coarser instrument proves nothing; cap " + cp},
		{ZeroHold, "s", 300, 60, 7200, "how long pressure must stay inside its zero band", cp},
		{Hold, "s", 120, 10, 7200, "how long any other evidence must hold", cp},
		{FreshPressure, "s", 15, 1, 120, "oldest pressure sample that still counts", cp},
		{FreshTemperature, "s", 60, 1, 600, "oldest temperature or boiler level sample that still counts", cp},
		{FreshTank, "s", 120, 1, 1800, "oldest tank level sample that still counts", cp},
		{FreshShed, "s", 900, 1, 7200, "oldest sample of the shed's air, and of the air in the barrel, that still counts", cp},
		{BoilingMargin, "K", 3, 0, 50, "margin below the boiling point here, beside uncertainty and contact error", "boiling point: IAPWS R7-97(2012); margin " + cp},
		{WaterToDrop, "of the glass", 0.60, 0.1, 1, "water in the glass before the fire is dropped: it shrinks by 8 to 12 % as it cools", "shrinkage: IAPWS R7-97(2012); figure " + cp},
		{WaterToRest, "of the glass", 0.50, 0.1, 1, "water in the glass when the engine is left with its water", cp},
		{DropMin, "bar", None, 0.1, 40, "lowest pressure at which to drop the fire; by default 40 % of working pressure", cp},
		{DropMax, "bar", None, 0.1, 40, "highest pressure at which to drop the fire; by default working pressure", cp},
		{MoveMin, "bar", None, 0.1, 40, "lowest pressure to move under; by default 30 % of working pressure and 2 bar at least", cp},
		{MoveMinutes, "min", 15, 1, 120, "how much longer there must be steam to move", cp},
		{BlowDownMin, "bar", None, 0, 40, "lowest pressure at which to open the blow-down cocks; the owner's to set", "sources disagree: no default may claim to be the rule"},
		{BlowDownMax, "bar", None, 0.05, 40, "highest pressure at which to open the blow-down cocks; the owner's to set", "sources disagree: no default may claim to be the rule"},
		{BlowDownBore, "mm", None, 4, 80, "bore of one cock as large as all blow-down cocks together; by default 20 mm for each 500 L of boiler by area, 10 mm at least", cp},
		{FireOut, "°C", 400, 100, 600, "firebox below this and falling for 5 min, once the fire is said to be dropped", cp},
		{HouseFirebox, "°C", 100, 40, 200, "firebox at which an emptied engine is housed, falling for 30 min", cp},
		{HouseSmokebox, "°C", 100, 40, 200, "smokebox at which an emptied engine is housed, falling for 30 min", cp},
		{RestFirebox, "°C", 180, 40, 250, "firebox at which an engine left with its water is housed, falling for 30 min", cp},
		{RestSmokebox, "°C", 180, 40, 250, "smokebox at which an engine left with its water is housed, falling for 30 min", cp},
		{Touch, "°C", 43, 30, 48, "bare metal that a hand may rest on", "ISO 13732-1:2006, 8 h and longer, figure from memory"},
		{OpenSmokebox, "°C", 120, 40, 200, "smokebox at which its door is opened", cp},
		{TankEmpty, "of the tank", 0.03, 0.005, 0.1, "level at which a tank is empty, without change over 10 min", cp},
		{HousedMax, "bar", None, 0.1, 40, "highest pressure at which an engine left with its water is housed; by default 80 % of working pressure", cp},
		{Relit, "K", 30, 10, 200, "rise of the firebox over its lowest, for 3 min, that is taken for a fire", cp},
		{BarrelRH, "%RH", 40, 10, 60, "relative humidity in the barrel, at the steel, for 24 h", "bands of corrosion practice: below 40 good; " + cp},
		{CO, "ppm", 20, 5, 100, "carbon monoxide in the shed's air above which it is not clear", "EH40/2005 (8 h figure), from memory"},
		{RunDryWaiver, "°C", None, 20, 50, "with every shell channel below this the owner waives the word that the cocks run dry; by default never", cp},
		{Rising, "bar", 0.5, 0.05, 10, "rise of pressure over its lowest since the fire was out, for 2 min, that hot brick does not explain; not in the first 30 min", cp},
		{Vacuum, "bar", -0.10, -1, -0.01, "vacuum in the boiler, for 2 min", "a sealed boiler goes under zero as it cools: IAPWS R7-97(2012); figure " + cp},
		{Unbalanced, "of the tank", 0.10, 0.01, 1, "difference between the tanks, for 10 min, that a balance pipe does not leave", cp},
		{Frost, "°C", 3, -10, 10, "air at and below which water aboard may freeze, for 30 min", cp},
		{DewMargin, "K", 1, 0, 10, "coldest metal no more than this above the dew point, for 60 min", cp},
		{Cooling, "K/h", None, 1, 1000, "fastest cooling of the shell; the owner's to set, from the maker's book", "no published figure was found for a locomotive boiler"},
		{Spread, "K", None, 1, 300, "largest difference between top and bottom of the shell; the owner's to set, from the maker's book", "no published figure was found for a locomotive boiler"},
	}
}

// Set holds the limits of one engine, by key, each in its declared unit. A limit
// that is absent has no value.
type Set map[Key]float64

// At returns the limit, or NaN where it has none: a comparison with NaN is false.
func (s Set) At(k Key) float64 {
	if v, ok := s[k]; ok {
		return v
	}
	return None
}

// Defaults returns the limits of an engine of the given working pressure (bar,
// gauge) and boiler volume (litre) for which its owner has set nothing.
func Defaults(workingBar, volumeL float64) Set {
	s := Set{}
	for _, l := range Table() {
		if !math.IsNaN(l.Default) {
			s[l.Key] = l.Default
		}
	}
	s[DropMin] = 0.40 * workingBar
	s[DropMax] = workingBar
	s[MoveMin] = math.Max(2, 0.30*workingBar)
	s[HousedMax] = 0.80 * workingBar
	s[BlowDownBore] = math.Max(10, 20*math.Sqrt(volumeL/500))
	return s
}

// Check reports what is wrong with a value that the owner set, in a sentence
// that names the mend; nil if nothing is.
func Check(k Key, v float64) error {
	for _, l := range Table() {
		if l.Key != k {
			continue
		}
		if !(v >= l.Min && v <= l.Max) {
			return fmt.Errorf("%s = %g is outside %g to %g %s; it is %s", k, v, l.Min, l.Max, l.Unit, l.Meaning)
		}
		return nil
	}
	return fmt.Errorf("limit %q is not known; use one of %s", k, strings.Join(names(), ", "))
}

func names() []string {
	var out []string
	for _, l := range Table() {
		out = append(out, string(l.Key))
	}
	sort.Strings(out)
	return out
}
