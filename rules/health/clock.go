package health

import (
	"fmt"

	"ashlamp/rules/track"
)

var nodeNames = [2]string{"engine", "shed"}

// clock is the clock of the node, or nodes, that carry a group of channels, and
// whether they repeat themselves.
type clock struct {
	aheadAt, aheadSince track.Instant
	aheadS              float64
	oldSince            track.Instant
	old                 bool
	oldS                float64
	behind              track.Instant
	frozen, frozenFound track.Instant
}

func (k *clock) ahead(now track.Instant, s float64) {
	if k.aheadSince == 0 {
		k.aheadSince = now
	}
	k.aheadAt, k.aheadS = now, s
}

// heard takes note of how old a sample is on arrival.
func (k *clock) heard(at, now track.Instant) {
	age := now.Sub(at)
	if age <= ClockOldS {
		k.old, k.behind = false, 0
		return
	}
	if !k.old {
		k.old, k.oldSince = true, now
	}
	k.oldS = age
	if k.behind == 0 && now.Sub(k.oldSince) >= ClockForS {
		k.behind = k.oldSince
	}
}

// expires is when a clock that was ahead is forgotten, nothing ahead having come.
func (k *clock) expires() track.Instant {
	if k.aheadSince == 0 {
		return 0
	}
	return k.aheadAt.Add(SpikesS)
}

func (k *clock) findings(node string, now track.Instant, out []Finding) []Finding {
	if k.aheadSince != 0 && now >= k.expires() {
		k.aheadSince = 0
	}
	if k.aheadSince != 0 {
		out = append(out, Finding{Node: node, Kind: ClockAhead, Since: k.aheadSince,
			Text: fmt.Sprintf("The clock of the %s's node is %.0f s ahead: nothing it says counts. Set its clock.", node, k.aheadS)})
	}
	if k.behind != 0 {
		out = append(out, Finding{Node: node, Kind: ClockBehind, Since: k.behind,
			Text: fmt.Sprintf("What the %s's node sends is %.0f s old when it comes. Set its clock, or look at its link.", node, k.oldS)})
	}
	if k.frozen != 0 {
		out = append(out, Finding{Node: node, Kind: NodeFrozen, Since: k.frozen,
			Text: fmt.Sprintf("The %s's node repeats the same numbers: nothing it says counts. Start it again.", node)})
	}
	return out
}
