package evidence

import (
	"math"

	"ashlamp/rules/limit"
	"ashlamp/rules/track"
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

func (k *Known) waterAtLeast(h *track.Hold, least float64, now track.Instant) Finding {
	if f, missing := k.missing(k.level, now); missing {
		return f
	}
	return k.held(h, now, k.holdS(), func() string {
		v, _ := k.level.Fresh(now)
		return sprintf("Water reads %.2f ± %.2f of the glass, to be at least %.2f", v, k.level.u(v), least)
	})
}

func waterToDrop(k *Known, now track.Instant) Finding {
	return k.waterAtLeast(k.holds.toDrop, k.limit(limit.WaterToDrop), now)
}

func waterToRest(k *Known, now track.Instant) Finding {
	return k.waterAtLeast(k.holds.toRest, k.limit(limit.WaterToRest), now)
}

// tanks returns the tanks that the engine has. With one tank it is the one that
// is measured, the left if neither is.
func (k *Known) tanks() []*sensor {
	switch {
	case k.Engine.Tanks == 2:
		return k.bothTanks[:]
	case k.Engine.Tanks == 1 && k.right.measured() && !k.left.measured():
		return k.bothTanks[1:]
	case k.Engine.Tanks == 1:
		return k.bothTanks[:1]
	}
	return nil
}

func tanksEmpty(k *Known, now track.Instant) Finding {
	tanks := k.tanks()
	if len(tanks) == 0 {
		return k.cannotTell(func() string { return "This engine has no tanks." })
	}
	f := nothing
	for _, t := range tanks {
		f = f.and(k.tankEmpty(t, k.limit(limit.TankEmpty), now))
	}
	return f
}

func (k *Known) tankEmpty(t *sensor, least float64, now track.Instant) Finding {
	if f, missing := k.missing(t, now); missing {
		return f
	}
	v, _ := t.Fresh(now)
	u := t.u(v)
	if u >= least {
		return k.cannotTell(func() string {
			return sprintf("%s is measured to ±%.3f only, too coarse to tell %.3f from empty.", Name(t.ID()), u, least)
		})
	}
	h := k.holds.left
	if t == k.right {
		h = k.holds.right
	}
	low := k.held(h, now, k.holdS(), func() string {
		return sprintf("%s reads %.3f ± %.3f, to be at most %.3f", Name(t.ID()), v, u, least)
	})
	m, ok := t.Thirds(TankStillS)
	switch {
	case !ok:
		return low.and(k.notYet(func() string {
			at, _, _ := t.Good()
			return sprintf("%s watched for %s, to see that it stays.", Name(t.ID()), of(math.Max(0, at.Sub(t.Since())), TankStillS))
		}))
	case !(math.Abs(m[2]-m[0]) <= TankStill):
		return low.and(k.notYet(func() string {
			return sprintf("%s still changes: %.3f to %.3f in 10 min.", Name(t.ID()), m[0], m[2])
		}))
	}
	return low.and(k.proven(func() string { return Name(t.ID()) + " has not changed for 10 min." }))
}

func barrelDry(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.humidity, now); missing {
		return f
	}
	return k.held(k.holds.barrelDry, now, BarrelHoldS, func() string {
		v, _ := k.humidity.Fresh(now)
		return sprintf("Air in the barrel reads %.0f %% ± %.0f, to be at most %.0f", v, k.humidity.u(v), k.limit(limit.BarrelRH))
	})
}

func airClear(k *Known, now track.Instant) Finding {
	if f, missing := k.missing(k.co, now); missing {
		return f
	}
	return k.held(k.holds.airClear, now, k.holdS(), func() string {
		v, _ := k.co.Fresh(now)
		return sprintf("Carbon monoxide in the shed reads %.0f ppm ± %.0f, to be at most %.0f", v*1e6, k.co.u(v)*1e6, k.limit(limit.CO))
	})
}
