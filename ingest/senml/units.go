package senml

import "ashlamp/rules/telemetry"

// baseVersion is the version of RFC 8428; its low four bits are reserved and
// always read 10 (RFC 9100 section 2).
const baseVersion = 10

// secondaryUnits is the feature bit that allows secondary units in u and bu
// (RFC 9100 section 4).
const secondaryUnits = 4

// knownVersion accepts versions up to 10, as RFC 8428 section 4.4 does, and above
// it those that are 10 with the feature bits that this reader knows.
func knownVersion(v float64) bool {
	return v <= baseVersion || v == baseVersion+1<<secondaryUnits
}

// hasFeature tests a feature bit of a known version.
func hasFeature(version float64, bit uint) bool {
	return version >= baseVersion && int64(version)>>bit&1 == 1
}

// remaining is the unit of what is left in a battery, in percent (RFC 8428 table 1): it
// is kept as a part.
const remaining = "%EL"

// secondary is a secondary unit: value in unit = (value·num)/den + offset. It has
// numerator and denominator so that 20 ppm becomes exactly 0.00002.
type secondary struct {
	unit             telemetry.Unit
	num, den, offset float64
}

func (s secondary) convert(v float64) float64 { return v*s.num/s.den + s.offset }

// secondaryUnit returns the registered secondary unit (RFC 8798 table 1 and the
// entries that the registry gained later; the rows here are from memory).
func secondaryUnit(u string) (secondary, bool) {
	switch u {
	case "ms":
		return secondary{"s", 1, 1000, 0}, true
	case "min":
		return secondary{"s", 60, 1, 0}, true
	case "h":
		return secondary{"s", 3600, 1, 0}, true
	case "MHz":
		return secondary{"Hz", 1e6, 1, 0}, true
	case "kW":
		return secondary{"W", 1000, 1, 0}, true
	case "kVA":
		return secondary{"VA", 1000, 1, 0}, true
	case "kvar":
		return secondary{"var", 1000, 1, 0}, true
	case "Ah":
		return secondary{"C", 3600, 1, 0}, true
	case "Wh":
		return secondary{"J", 3600, 1, 0}, true
	case "kWh":
		return secondary{"J", 3.6e6, 1, 0}, true
	case "varh":
		return secondary{"vars", 3600, 1, 0}, true
	case "kvarh":
		return secondary{"vars", 3.6e6, 1, 0}, true
	case "VAh":
		return secondary{"VAs", 3600, 1, 0}, true
	case "kVAh":
		return secondary{"VAs", 3.6e6, 1, 0}, true
	case "Wh/km":
		return secondary{"J/m", 3.6, 1, 0}, true
	case "KiB":
		return secondary{"B", 1024, 1, 0}, true
	case "GB":
		return secondary{"B", 1e9, 1, 0}, true
	case "Mbit/s":
		return secondary{"bit/s", 1e6, 1, 0}, true
	case "B/s":
		return secondary{"bit/s", 8, 1, 0}, true
	case "MB/s":
		return secondary{"bit/s", 8e6, 1, 0}, true
	case "mV":
		return secondary{"V", 1, 1000, 0}, true
	case "mA":
		return secondary{"A", 1, 1000, 0}, true
	case "dBm":
		return secondary{"dBW", 1, 1, -30}, true
	case "ug/m3":
		return secondary{"kg/m3", 1, 1e9, 0}, true
	case "mg/l":
		return secondary{"kg/m3", 1, 1000, 0}, true
	case "ug/l":
		return secondary{"kg/m3", 1, 1e6, 0}, true
	case "g/l":
		return secondary{"kg/m3", 1, 1, 0}, true
	case "mm/h":
		return secondary{"m/s", 1, 3.6e6, 0}, true
	case "m/h":
		return secondary{"m/s", 1, 3600, 0}, true
	case "km/h":
		return secondary{"m/s", 1, 3.6, 0}, true
	case "ppm":
		return secondary{telemetry.Ratio, 1, 1e6, 0}, true
	case "ppb":
		return secondary{telemetry.Ratio, 1, 1e9, 0}, true
	case "ppt":
		return secondary{telemetry.Ratio, 1, 1e12, 0}, true
	case "/100":
		return secondary{telemetry.Ratio, 1, 100, 0}, true
	case "/1000":
		return secondary{telemetry.Ratio, 1, 1000, 0}, true
	case "hPa":
		return secondary{telemetry.Pascal, 100, 1, 0}, true
	case "mm":
		return secondary{"m", 1, 1000, 0}, true
	case "cm":
		return secondary{"m", 1, 100, 0}, true
	case "km":
		return secondary{"m", 1000, 1, 0}, true
	}
	return secondary{}, false
}

// ToBase converts a value from a secondary unit of RFC 8798 to its primary unit,
// and reports false for any other unit.
func ToBase(unit string, v float64) (float64, telemetry.Unit, bool) {
	s, ok := secondaryUnit(unit)
	if !ok {
		return 0, "", false
	}
	return s.convert(v), s.unit, true
}

// NameTrouble says what is wrong with a record's whole name (RFC 8428 section 4.5.1);
// empty if nothing.
func NameTrouble(name string) string { return badName(name) }
