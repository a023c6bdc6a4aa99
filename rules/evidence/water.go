package evidence

import (
	"math"

	"ashlamp/rules/limit"
	"ashlamp/rules/telemetry"
	"ashlamp/rules/track"
	"ashlamp/rules/verdict"
)

const (
	// TankStillS is for how long an empty tank must not change (contract).
	TankStillS = 600
	// TankStill is what counts as no change, as a part of the tank (common
	// practice, no source).
	TankStill = 0.01
	// BarrelHoldS is for how long the air in the barrel must be dry (contract).
	BarrelHoldS = 24 * 3600
)

func (k *Known) waterAtLeast(hold string, least float64, now track.Instant) Finding {
	if f, missing := k.missing(k.level, now); missing {
		return f
	}
	v, _ := k.level.Fresh(now)
	return held(k.holds[hold], k.level, now, k.holdS(), func() string {
		return sprintf("Water reads %.2f ± %.2f of the glass, to be at least %.2f", v, k.u(telemetry.BoilerLevel, v), least)
	})
}

func waterToDrop(k *Known, now track.Instant) Finding {
	return k.waterAtLeast("water-to-drop", k.limit(limit.WaterToDrop), now)
}

func waterToRest(k *Known, now track.Instant) Finding {
	return k.waterAtLeast("water-to-rest", k.limit(limit.WaterToRest), now)
}

// tanks returns the tracks of the tanks that the engine has. With one tank it is
// the one that is measured, the left if neither is.
func (k *Known) tanks() []*track.Track {
	switch {
	case k.Engine.Tanks == 2:
		return []*track.Track{k.left, k.right}
	case k.Engine.Tanks == 1 && k.measured(k.right) && !k.measured(k.left):
		return []*track.Track{k.right}
	case k.Engine.Tanks == 1:
		return []*track.Track{k.left}
	}
	return nil
}

func tanksEmpty(k *Known, now track.Instant) Finding {
	least := k.limit(limit.TankEmpty)
	var fs []Finding
	for _, t := range k.tanks() {
		fs = append(fs, k.tankEmpty(t, least, now))
	}
	if len(fs) == 0 {
		return cannotTell("This engine has no tanks.")
	}
	return all(fs...)
}

func (k *Known) tankEmpty(t *track.Track, least float64, now track.Instant) Finding {
	if f, missing := k.missing(t, now); missing {
		return f
	}
	v, _ := t.Fresh(now)
	u := k.u(t.ID(), v)
	if u >= least {
		return cannotTell("%s is measured to ±%.3f only, too coarse to tell %.3f from empty.", Name(t.ID()), u, least)
	}
	low := held(k.holds[string(t.ID())], t, now, k.holdS(), func() string {
		return sprintf("%s reads %.3f ± %.3f, to be at most %.3f", Name(t.ID()), v, u, least)
	})
	m, ok := t.Thirds(TankStillS)
	if !ok {
		at, _, _ := t.Good()
		return all(low, notYet(t.StaleAt(), "%s watched for %s, to see that it stays.", Name(t.ID()), of(math.Max(0, at.Sub(t.Since())), TankStillS)))
	}
	if math.Abs(m[2]-m[0]) > TankStill {
		return all(low, notYet(t.StaleAt(), "%s still changes: %.3f to %.3f in 10 min.", Name(t.ID()), m[0], m[2]))
	}
	return all(low, finding(verdict.Proven, t.StaleAt(), "%s has not changed for 10 min.", Name(t.ID())))
}

func barrelDry(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.humidity, now); missing {
		return f
	}
	v, _ := k.humidity.Fresh(now)
	return held(k.holds["barrel-dry"], k.humidity, now, BarrelHoldS, func() string {
		return sprintf("Air in the barrel reads %.0f %% ± %.0f, to be at most %.0f", v, k.u(telemetry.BoilerHumidity, v), k.limit(limit.BarrelRH))
	})
}

func airClear(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.co, now); missing {
		return f
	}
	v, _ := k.co.Fresh(now)
	return held(k.holds["air-clear"], k.co, now, k.holdS(), func() string {
		return sprintf("Carbon monoxide in the shed reads %.0f ppm ± %.0f, to be at most %.0f", v*1e6, k.u(telemetry.AmbientCO, v)*1e6, k.limit(limit.CO))
	})
}
