package evidence

import (
	"math"

	"ashlamp/rules/engine"
	"ashlamp/rules/forecast"
	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
)

// ToReach returns what is to be reached as the instruments will read it, with every
// uncertainty on the late side: what forecasts tell the time of.
func (k *Known) ToReach(now track.Instant) forecast.Limits {
	l := forecast.Limits{
		MovePa: k.limit(limit.MoveMin) * 1e5, ZeroPa: k.ZeroBand(), ShellC: math.NaN(),
		FireboxC:  lessU(k.firebox, k.fireboxToHouse()),
		SmokeboxC: lessU(k.smokebox, k.smokeboxToHouse()),
		AirPa:     k.standard, HousePa: math.NaN(),
		CanEmpty: k.LayUp == telemetry.Dry && k.Engine.EmptiedBy == engine.Empty && k.Engine.BlowDownPipe,
	}
	if v, fresh := k.barometer.Fresh(now); fresh && math.Abs(v-k.standard) <= StationSpan {
		l.AirPa = v
	}
	if boiling, _, ok := k.Boiling(now); ok {
		u := 0.0
		for _, s := range k.shells {
			u = math.Max(u, s.u(boiling))
		}
		// The reading v at which v + u + contact error comes to the limit.
		air := k.airTemperature(now)
		l.ShellC = (boiling - k.limit(limit.BoilingMargin) - u + contactShare*air) / (1 + contactShare)
	}
	if k.LayUp != telemetry.Dry {
		l.HousePa = k.limit(limit.HousedMax) * 1e5
	}
	l.HouseShell = k.LayUp == telemetry.Dry && k.Engine.EmptiedBy == engine.Cold
	return l
}

func lessU(s *sensor, limitC float64) float64 { return limitC - s.u(limitC) }

// DryAt returns when the air in the barrel will have been dry for long enough if it stays
// as dry as it now is; false where it is not dry now.
func (k *Known) DryAt(now track.Instant) (track.Instant, bool) {
	if _, dry := k.holds.barrelDry.Held(now); !dry {
		return 0, false
	}
	at := k.holds.barrelDry.Reached(BarrelHoldS)
	return at, at != track.Never
}
