package mutation

import "strings"

// mutation is one line of the table: in a file, a text that is there once, what is put
// in its place, and what that weakens. tests are where it is to be noticed, tried in
// order: a package, and arguments to "go test" where all of its tests would take long.
type mutation struct {
	name, file    string
	find, replace string
	weakens       string
	tests         []string
}

// The files that are weakened, and the tests that are to notice.
const (
	judge        = "rules/judge.go"
	steps        = "rules/steps.go"
	known        = "rules/evidence/known.go"
	declarations = "rules/evidence/table.go"
	finding      = "rules/evidence/finding.go"
	pressure     = "rules/evidence/pressure.go"
	boiling      = "rules/evidence/boiling.go"
	heat         = "rules/evidence/heat.go"
	water        = "rules/evidence/water.go"
	reached      = "rules/evidence/reached.go"
	tracks       = "rules/track/track.go"
	blowdown     = "rules/blowdown/blowdown.go"
	saturation   = "rules/saturation/saturation.go"
	fire         = "rules/fire/fire.go"
	words        = "rules/confirmation/confirmation.go"
	engine       = "rules/engine/engine.go"
	limits       = "rules/limit/limit.go"
	alarms       = "rules/alarm/machine.go"
	person       = "rules/alarm/person.go"
	watcher      = "rules/watching.go"
	watching     = "rules/watch/watch.go"
	watched      = "rules/watch/judge.go"
	watches      = "rules/watch/declaration.go"
	monitor      = "rules/health/health.go"
	channel      = "rules/health/channel.go"
	partners     = "rules/health/partners.go"
	clock        = "rules/health/clock.go"
)

var (
	inTrack  = []string{"./rules/track", "./rules"}
	inRun    = []string{"./rules/blowdown", "./rules"}
	inFollow = []string{"./rules/saturation", "./rules"}
	inFire   = []string{"./rules/fire", "./rules"}
	inWords  = []string{"./rules/confirmation", "./rules"}
	inAlarm  = []string{"./rules/alarm"}
	// Whole evenings of many engines are left to the packages' own runs.
	inWatch  = []string{"./rules/watch -skip=Evening|GoesWrong"}
	inHealth = []string{"./rules/health -skip=Evening|FaultOfTheEngine|FaultsAreFound"}
)

// by names the test of ./rules that is known to notice, to be tried before all others:
// a shorter way, and no more. Where it is called otherwise by now, all are tried.
func by(test string) []string {
	parts := strings.Split(test, "/")
	for i := range parts {
		parts[i] = "^" + parts[i] + "$"
	}
	return []string{"./rules -run=" + strings.Join(parts, "/"), "./rules"}
}

// table has the weakenings, grouped by what they weaken.
var table = []mutation{
	// The age of samples, gaps, and samples that are not good.
	{"the last value is trusted", tracks, "if !t.hasGood || !t.within(now-t.good) {\n\t\treturn math.NaN(), false", "if !t.hasGood {\n\t\treturn math.NaN(), false",
		"a sample of any age counts as what is so now", inTrack},
	{"a hold is trusted after the last sample", tracks, "if !h.running || !h.track.within(now-h.track.good) {", "if !h.running {",
		"what held when the last sample came holds on in the silence", inTrack},
	{"a trend over a gap", tracks, "\t\tt.since = at\n", "\t\tif t.since == 0 {\n\t\t\tt.since = at\n\t\t}\n",
		"a fall is taken from before and after a gap that nobody watched", inTrack},
	{"a hold over a gap", tracks, "last: h.last, open: true}\n\t\th.since = at\n", "last: h.last, open: true}\n",
		"time in which no sample came counts for the hold", inTrack},
	{"a hold goes on outside its limit", tracks, "case !h.inside(at, v):\n\t\th.running, h.before.open = false, false\n", "case !h.inside(at, v):\n",
		"a good sample outside the limit does not begin the hold anew", inTrack},
	{"a late sample outside the limit", tracks, "case at >= h.since:\n\t\th.since, h.before.open = h.last, false\n", "case at >= h.since:\n",
		"one outside the limit that came late does not begin the hold anew", inTrack},
	{"a late sample outside the limit, in a gap", tracks, "case h.before.open && at >= h.before.since:\n\t\th.before.open = false\n", "",
		"a gap is filled although what came late from it was outside the limit", inTrack},
	{"a gap half filled", tracks, "if t.within(*start - b.last) {", "if true {",
		"one late sample makes a long gap none", inTrack},
	{"a hold of no time", tracks, "return h.since.Add(need)", "return h.since",
		"what is so for a moment counts as held", inTrack},
	{"one sample holds", tracks, "if !h.running || h.last == h.since {", "if !h.running {",
		"a single sample, and then silence, counts as held", inTrack},
	{"a limit that nobody set", tracks, "if !(float64(i)+d < float64(Never)) {", "if float64(i)+d >= float64(Never) {",
		"a hold time that is not known is over at once", inTrack},
	{"a bad sample counts", tracks, "good := s.Quality == telemetry.Good && ", "good := ",
		"the number of a bad sample counts as good", inTrack},
	{"a doubtful sample counts", tracks, "good := s.Quality == telemetry.Good && ", "good := s.Quality != telemetry.Bad && ",
		"a sample that the health of its sensor casts doubt on proves", inTrack},
	{"no number counts", tracks, "&& !math.IsNaN(s.Value) && !math.IsInf(s.Value, 0)\n", "\n",
		"NaN counts as a good sample", inTrack},
	{"two values for one time", tracks, "t.conflicts++\n\t\t\treturn Conflicting", "t.conflicts++\n\t\t\treturn Newest",
		"a second value for a time that has one is taken", inTrack},

	// Pressure.
	{"vacuum counts as zero", pressure, "return math.Abs(p) <= k.zeroBand(u)\n", "return p <= k.zeroBand(u)\n",
		"a boiler under vacuum counts as without pressure", by("TestEachGuardHoldsAlone")},
	{"the zero band of any transducer", pressure, "case !(u > 0 && u <= ZeroBandCap):", "case !(u > 0):",
		"a transducer too coarse to tell pressure from none proves zero", by("TestEachGuardHoldsAlone")},
	{"the owner's zero band uncapped", pressure, "case set < u || set > ZeroBandCap:", "case set < u:",
		"an owner may set any pressure as zero", by("TestEachGuardHoldsAlone")},
	{"the owner's zero band without the uncertainty", pressure, "return math.Max(u, set-u)", "return set",
		"a reading at the edge of the owner's band counts as inside it", by("TestEachGuardHoldsAlone")},
	{"following not required", pressure, "if k.Follow.Seen() {", "if true {",
		"a zero is believed of a transducer that never followed the shell", by("TestAZeroIsBelievedOnlyAfterFollowing")},
	{"the gauge not tried", pressure, "if g, ok := k.Said.Get(\"gauge-tried\"); ok {", "if g, ok := k.Said.Get(\"gauge-tried\"); ok || true {",
		"a zero is believed although nobody tried a gauge", by("TestAZeroIsBelievedOnlyAfterFollowing")},
	{"a hot shell unexplained", pressure, "warm && err == nil && p < FromBlowing && !k.emptied() {", "warm && err == nil && p < FromBlowing && !k.emptied() && false {",
		"a zero is believed over a shell as hot as steam", by("TestNothingIsProvenByAFault/both_transducers_behind_one_shut_cock")},
	{"a second transducer unheard", pressure, "if beside.Verdict == verdict.NotYet {", "if false {",
		"a second transducer that reads pressure holds nothing up", by("TestNothingIsProvenByAFault/a_second_transducer_that_says_two_bar")},
	{"an air pressure taken for exact", known, "return v - k.standard, math.Hypot(s.u(v), WithoutBarometer)", "return v - k.standard, s.u(v)",
		"an absolute transducer without a barometer proves zero", by("TestEachGuardHoldsAlone")},
	{"a range of pressure without the uncertainty", declarations, "return p-u >= min && p+u <= max", "return p >= min && p <= max",
		"pressure counts as in its range by the reading alone", by("TestEachGuardHoldsAlone")},
	{"steam to move without the uncertainty", pressure, "then := p - u + perMinute*minutes", "then := p + perMinute*minutes",
		"steam counts as enough to move by the reading alone", by("TestEachGuardHoldsAlone")},
	{"pressure that stands", pressure, "case !fell(m, PressureFallPa):", "case false:",
		"an engine is left with its water though pressure does not fall", by("TestNothingIsProvenByAFault/pressure_that_froze")},

	{"a range of pressure that the shell does not bear out", pressure, "}).and(k.shellBears(min, max, now))", "})",
		"a stuck gauge says that the fire may be dropped", by("TestWhatTheShellSaysOfAPressure")},
	{"steam to move that the shell does not bear out", pressure, "\tenough = enough.and(k.shellBears(least, math.Inf(1), now))\n", "",
		"a stuck gauge says that there is steam to move", by("TestWhatTheShellSaysOfAPressure")},
	{"a doubted shell says nothing", known, "if !heard || n.Quality != telemetry.Uncertain ||", "if true || !heard || n.Quality != telemetry.Uncertain ||",
		"a zero is believed over a shell that may be as hot as steam", by("TestEachGuardHoldsAlone")},

	// Nothing left to boil.
	{"the contact error dropped", boiling, "return v + s.u(v) + contactK(v, k.airTemperature(at))", "return v + s.u(v)",
		"a couple on the shell counts as reading what the metal has", by("TestColdShell")},
	{"the shell's uncertainty dropped", boiling, "return v + s.u(v) + contactK(v, k.airTemperature(at))", "return v + contactK(v, k.airTemperature(at))",
		"a shell counts as below boiling by the reading alone", by("TestColdShell")},
	{"the margin below boiling dropped", boiling, "return ok && k.most(s, v, at) <= boiling-k.limit(limit.BoilingMargin)", "return ok && k.most(s, v, at) <= boiling",
		"a shell only just below boiling counts", by("TestColdShell")},
	{"one shell channel for all", boiling, "out := nothing\n\tfor _, s := range k.shells {", "out := nothing\n\tfor _, s := range k.shells[:1] {",
		"one end of the shell below boiling counts for the whole", by("TestColdShell")},
	{"a lost shell channel passed over", boiling, "out = out.and(f)\n\t\t\tcontinue\n\t\t}\n\t\tout = out.and(k.held(s.belowBoiling", "_ = f\n\t\t\tcontinue\n\t\t}\n\t\tout = out.and(k.held(s.belowBoiling",
		"a shell channel that is not heard holds nothing up", by("TestColdShell")},
	{"the barometer's uncertainty dropped", known, "return v - k.barometer.u(v), \"\", true", "return v, \"\", true",
		"water counts as boiling where the barometer alone says", by("TestEachGuardHoldsAlone")},
	{"a barometer set for the sea", known, "if math.Abs(v-k.standard) > StationSpan {", "if false {",
		"a barometer that reads for the sea is believed, and boiling taken too high", by("TestColdShell")},
	{"no barometer, and the air taken for standard", known, "return k.standard - WithoutBarometer, \"\", true", "return k.standard, \"\", true",
		"boiling is taken too high on a day of low air pressure", by("TestColdShell")},
	{"warm air guessed", known, "const ColdestAir = -10", "const ColdestAir = 60",
		"the contact error is taken too small where the air is not measured", by("TestTheAirIsTakenForColdWhereItIsNotMeasured")},
	{"water not seen to leave", boiling, "if _, began := k.Run.Began(); !began {", "if _, began := k.Run.Began(); !began && false {",
		"an empty glass is believed of a boiler that was not seen to run", by("TestSeenEmpty")},
	{"half the water not asked for", boiling, "if !k.Run.Enough() {", "if false {",
		"a boiler behind a choked cock counts as run empty", by("TestSeenEmpty")},
	{"no share of the time", blowdown, "Share = 0.5", "Share = 0.0",
		"a pipe that ran for a moment counts as having emptied the boiler", inRun},
	{"the pipe not fallen", boiling, "if !fell {", "if !fell && false {",
		"a boiler that still runs counts as empty", by("TestSeenEmpty")},
	{"the glass not empty", boiling, "if !gone {", "if !gone && false {",
		"a boiler counts as empty with water in its glass", by("TestEachGuardHoldsAlone")},
	{"an empty glass not held", boiling, "if due := goneAt.Add(k.holdS()); now < due {", "if due := goneAt; now < due {",
		"a glass that shows nothing for a moment counts as empty", by("TestNothingIsProvenByAFault/limits_of_time_that_nobody_set")},
	{"the cocks not said to be dry", boiling, "case !said:\n\t\treturn k.notYet(func()", "case !said:\n\t\treturn k.proven(func()",
		"a boiler counts as empty though nobody looked at the cocks", by("TestSeenEmpty")},
	{"the cocks said to be dry too early", boiling, "case g.At <= fellAt:", "case false:",
		"a word from before the pipe fell counts", by("TestSeenEmpty")},
	{"a waiver at once", boiling, "due = max(due, s.waived.Reached(k.holdS()))", "due = max(due, now)",
		"one cold sample waives the word about the cocks", by("TestNothingIsProvenByAFault/one_cold_sample_does_not_waive_the_word")},
	{"a warm pipe runs", blowdown, "RunningK = 15", "RunningK = 60",
		"a pipe that is only warm counts as running", inRun},
	{"a glass that merely shrank", blowdown, "case r.levelTop-level >= SeenFall+r.b.ULevel:", "case true:",
		"a glass that trembles beside a hot pipe counts as water that leaves", inRun},
	{"a pipe that was warm before", blowdown, "credited = r.passed - r.beganKg", "credited = r.passed",
		"what a hot pipe passed before the glass fell is credited", inRun},
	{"a choked cock", blowdown, "seen*Slack < kg {", "seen*Slack < kg && false {",
		"the cocks are credited with more than the glass bears out", inRun},
	{"a run over a gap", blowdown, "} else if watched && !math.IsNaN(gaugePa) {", "} else if (watched || true) && !math.IsNaN(gaugePa) {",
		"time in which nobody heard of the pipe counts as running", inRun},
	{"a glass that fell unwatched", blowdown, "r.hot && !pipe {", "r.hot && !pipe && false {",
		"a glass that fell while nobody heard of the pipe counts as seen", inRun},
	{"a pipe that rises again", blowdown, "if tC > r.lowest+RoseK {", "if false {",
		"a pipe that grows hot after it fell counts as finished", inRun},
	{"a pipe that flickers", blowdown, "FellK = 30", "FellK = 2",
		"a pipe that cooled by a little counts as run out", inRun},
	{"water that comes back", blowdown, "case r.back(level):", "case false:",
		"a boiler once seen empty counts as empty with water in it again", inRun},
	{"an empty glass over a gap", blowdown, "if !r.gone || !watched {", "if !r.gone {",
		"time in which nobody heard of the glass counts as empty", inRun},
	{"a vacuum that holds water back", blowdown, "case gaugePa < -VacuumPa:", "case false:",
		"cocks are credited with water that a vacuum holds in the boiler", inRun},
	{"a glass that failed low", known, "if !k.possible(t, s.Value, at) {", "if false {",
		"a level that cannot be counts as an empty glass", by("TestEachGuardHoldsAlone")},

	{"a pipe that fell under steam", boiling, "if p, held := k.Run.Held(); held {", "if p, held := k.Run.Held(); held && false {",
		"a cock that was shut on steam counts as a boiler run out", by("TestEachGuardHoldsAlone")},

	// Transducer and shell along the saturation line.
	{"following while standing still", saturation, "SpanBar = 0.5", "SpanBar = 0.0",
		"a stuck transducer counts as seen to follow", inFollow},
	{"following for a moment", saturation, "ForS = 300", "ForS = 0",
		"one pair that agrees counts as seen to follow", inFollow},
	{"following over a gap", saturation, "watched := f.seenPair && dt > 0 && dt <= GapS", "watched := f.seenPair && dt > 0",
		"time in which nobody heard of one of them counts as agreement", inFollow},
	{"parted company for good", saturation, "if p.At.Sub(f.against) >= AgainstS {", "if false {",
		"a transducer that left the line after it followed is still believed", inFollow},
	{"followed in another disposal", known, "\t*k.Follow = saturation.Follow{}\n", "",
		"what a transducer showed last time makes its zero believable tonight", by("TestEachGuardHoldsAlone")},

	// Fire, firebox, smokebox.
	{"a fire out that does not fall", heat, "and(k.falling(k.firebox, now, FireFallS)).and(", "and(",
		"a fire that burns on low counts as out", by("TestNothingIsProvenByAFault/a_firebox_that_froze_under_its_limit")},
	{"a fire not said to be dropped", heat, ".and(k.word(\"fire-dropped\"))", "",
		"a fire counts as out though nobody dropped it", by("TestNothingIsProvenByAFault/a_second_begin_takes_the_words_of_the_first")},
	{"a fire that is never seen to come back", fire, "if tC < f.lowest+f.relitK {", "if true {",
		"ash that burns up again is not seen", inFire},
	{"a fire that came while nobody looked", fire, "\t\tf.unseen = true\n", "\t\tf.unseen = false\n",
		"a firebox found hotter after a silence, and now falling, counts as without fire", inFire},
	{"a forecast to the limit itself", reached, "return limitC - s.u(limitC)", "return limitC",
		"an engine is foretold cool enough before its couple's uncertainty is counted", []string{"./rules/evidence"}},
	{"a firebox colder than its shell", heat, "if !ok || !fresh || v+k.firebox.u(v) >= shell-us-below {", "if true || !ok || !fresh || us+below > 0 {",
		"a couple that came off its firebox counts", by("TestEachGuardHoldsAlone")},
	{"a smokebox colder than the shell", heat, "if !ok || !fresh || v+slack >= coolest {", "if true || !ok || !fresh || slack > 0 {",
		"a couple that came off its smokebox counts", by("TestEachGuardHoldsAlone")},
	{"a firebox that falls under its shell", heat, "if wrong, ok := k.fireboxTooQuick(now); ok {", "if wrong, ok := k.fireboxTooQuick(now); ok && false {",
		"a couple whose reading drifts away counts as a firebox that cools", by("TestEachGuardHoldsAlone")},
	{"a firebox housed though it does not fall", heat, "return f.and(k.falling(k.firebox, now, BoxFallS))", "return f",
		"an engine is housed over a firebox that keeps its heat", by("TestEachGuardHoldsAlone")},
	{"a smokebox housed though it does not fall", heat, "return f.and(k.falling(k.smokebox, now, BoxFallS))", "return f",
		"an engine is housed with a smokebox that keeps its heat", by("TestEachGuardHoldsAlone")},
	{"a fall between the ends alone", finding, "return m[0]-m[1] >= least && m[1]-m[2] >= least", "return m[0]-m[2] >= 2*least",
		"a box that fell and now rises counts as falling", by("TestEachGuardHoldsAlone")},
	{"one step down", finding, "(resting || window >= BoxFallS || fellLately(t, window, m, shortFallK/10, 0))", "true",
		"a fire that burns on lower counts as falling", by("TestNothingIsProvenByAFault/a_firebox_that_froze_under_its_limit")},
	{"a box's uncertainty dropped", declarations, "v+s.u(v) < most()", "v < most()",
		"firebox and smokebox count as cool by the reading alone", by("TestEachGuardHoldsAlone")},
	{"a thermocouple good at any heat", engine, "return math.Max(c.Uncertainty, 0.0075*value)", "return c.Uncertainty",
		"a hot couple counts as good as a cool one", []string{"./rules/engine", "./rules"}},

	// Water, tanks, air.
	{"the level's uncertainty dropped", declarations, "v-s.u(v) >= least", "v >= least",
		"the glass counts as filled by the reading alone", by("TestEachGuardHoldsAlone")},
	{"the uncertainty of tanks and air dropped", declarations, "v+s.u(v) <= most", "v <= most",
		"tanks count as empty, and air as clear, by the reading alone", by("TestEachGuardHoldsAlone")},
	{"one tank for both", water, "for _, t := range tanks {", "for _, t := range tanks[:1] {",
		"a full tank counts as empty because the other is", by("TestTradeFacts")},
	{"a coarse tank", water, "if u >= least {", "if false {",
		"a tank measured too coarsely to tell is not called so", by("TestEachGuardHoldsAlone")},
	{"a tank that still changes", water, "case !(math.Abs(m[2]-m[0]) <= TankStill):", "case false:",
		"a tank that drains or fills counts as empty", by("TestEachGuardHoldsAlone")},
	{"a tank watched for a moment", water, "case !ok:", "case !ok && false:",
		"a tank counts as empty before it was watched", by("TestEachGuardHoldsAlone")},
	{"a barrel dry for a minute", water, "BarrelHoldS = 24 * 3600", "BarrelHoldS = 60",
		"a barrel is sealed that was dry for a minute", by("TestEachGuardHoldsAlone")},
	{"clear air unmeasured", water, "if f, missing := k.missing(k.co, now); missing {", "if f, missing := k.missing(k.co, now); missing && false {",
		"a lost sensor of carbon monoxide says nothing of being lost", by("TestEachGuardHoldsAlone")},

	// What each finding comes to, and how they are joined.
	{"a missing channel proves", finding, "return k.cannotTell(func() string {\n\t\tfault, faulty := t.Fault()", "return k.proven(func() string {\n\t\tfault, faulty := t.Fault()",
		"proven and cannot-tell are swapped on a channel that gives nothing", by("TestNothingIsProvenByAFault/an_age_that_nobody_set")},
	{"what cannot be counts", finding, "if k.possible(t, v, now) {", "if true {",
		"a value that the thing cannot have proves", by("TestNothingIsProvenByAFault/the_glass_in_per_cent")},
	{"held for no time", finding, "if due := h.Reached(need); now < due {", "if due := h.Reached(need); now < due && false {",
		"what is inside its limit now counts as held", by("TestNothingIsProvenByAFault/a_hold_of_zero_pressure_that_nobody_set")},
	{"the better of two findings", finding, "case g.Verdict < f.Verdict, ", "case g.Verdict > f.Verdict, ",
		"any of several is enough where each must hold", by("TestNothingIsProvenByAFault/a_hold_of_zero_pressure_that_nobody_set")},
	{"a word not said", finding, "if g, ok := k.Said.Get(id); ok {", "if g, ok := k.Said.Get(id); ok || true {",
		"what a person must say counts unsaid", by("TestNothingIsProvenByAFault/warm_water_let_in_after_the_cocks_were_said_to_be_dry")},
	{"a word outweighs what is measured", declarations, "if g := k.beside(d, now); g.Verdict < f.Verdict {", "if g := k.beside(d, now); false && g.Verdict < f.Verdict {",
		"a word that a tank was dipped outweighs the full one beside it", by("TestNothingIsProvenByAFault/a_tank_said_to_be_dipped,_the_other_measured_full")},
	{"a word where all is measured", declarations, "if !t.measured() {\n\t\t\treturn id", "if t != nil {\n\t\t\treturn id",
		"a word stands in the place of an evidence that is measured", by("TestEachGuardHoldsAlone")},
	{"a lay-up changed in the middle", declarations, "k.holds.fireboxCool.Restart()", "",
		"a hold against another limit is carried over", by("TestNothingIsProvenByAFault/a_lay-up_switched_in_the_middle:_the_hold_begins_anew")},
	{"a limit that is absent is nought", limits, "return v\n\t}\n\treturn None\n}", "return v\n\t}\n\treturn 0\n}",
		"a limit that nobody set is a number", []string{"./rules/limit", "./rules"}},
	{"any finding for all", judge, "default:\n\t\t\tv = verdict.NotYet", "default:",
		"a step is proven with an evidence that is not", by("TestPressureZero")},
	{"cannot-tell passes for not-yet", judge, "case n.finding.Verdict == verdict.CannotTell && !n.byHand:", "case n.finding.Verdict == verdict.CannotTell && n.byHand:",
		"a step whose samples are lost seems to need only waiting", by("TestNothingHeardProvesNothing")},
	{"plugs out by pressure alone", steps, "evidence.PressureZero(), evidence.NothingLeftToBoil(), word(\"vent-open\")", "evidence.PressureZero(), word(\"vent-open\")",
		"the plugs come out of a boiler that may still boil", by("TestTradeFacts")},
	{"plugs out with the vent shut", steps, "word(\"vent-open\"), ", "",
		"the plugs come out though nobody opened the vent", by("TestEachGuardHoldsAlone")},

	// Time and order.
	{"a pack as it came", judge, "\t\tslices.SortStableFunc(samples, byTime)\n", "",
		"pressure and shell of different moments are compared", by("TestAPackIsJudgedInTheOrderOfItsTimes")},
	{"ageing not looked at", judge, ", j.k.StaleNext(j.now)", "",
		"a verdict stands in the silence until something else happens", by("TestTimeAloneChangesVerdictsAtItsOwnMoment")},
	{"an age of any length", engine, "return limit.FreshPressure", "return limit.FreshShed",
		"a pressure of a quarter of an hour ago counts", by("TestEachGuardHoldsAlone")},

	// What the health of the sensors and the alarms are to the judgement.
	{"the health of the sensors not asked", watcher, "s = j.w.health.Add(s, j.now)", "_ = j.w.health.Add(s, j.now)",
		"a channel found wrong goes on proving", by("TestEachGuardHoldsAlone")},
	{"a doubtful reading ends nothing", judge, "seen.Lapsed, seen.Run = j.k.Doubt(s)", "_ = came",
		"words stand beside a pressure that may be so", by("TestADoubtfulReadingEndsWhatItWouldEnd")},
	{"alarms lost over a restart", watcher, "err := j.w.board.Panel.Restore(s.Alarms)", "var err error",
		"an alarm that stands is forgotten when the daemon starts again", by("TestAnAlarmThatStandsStandsAfterARestart")},

	// Words.
	{"a word that never lapses by time", words, "now >= until && until != track.Never {", "now >= until && until != track.Never && false {",
		"yesterday's words stand tonight", inWords},
	{"a word that nothing ends", words, "if w.stands && w.given.At <= givenBy && w.endsBy(c) {", "if w.stands && w.given.At <= givenBy && w.endsBy(c) && false {",
		"pressure, water or fire end no word", inWords},
	{"a word given after it was seen", words, "if s.seen[c] > at {", "if false {",
		"a word from before what ends it stands because it was heard of late", inWords},
	{"a forgotten withdrawal", words, "return w.end(at, TakenBack), true", "return Lapsed{w.given, at, TakenBack}, true",
		"a word that was taken back stands", inWords},
	{"a vent that pressure does not shut", words, "opened := []Cause{Pressure, Water, Fire, FireIn, Ended}", "opened := []Cause{Water, Fire, FireIn, Ended}",
		"vent, cocks and gauge stay as said though pressure was seen", inWords},
	{"an idle place", words, "until = min(until, max(w.given.At, ran).Add(w.IdleS))", "_ = ran",
		"people are clear for ever", inWords},
	{"lapses not told", judge, "\tj.lapse(j.k.Said.Expire(j.now))\n", "\tj.k.Said.Expire(j.now)\n",
		"a word lapses as time goes by and nobody hears of it", by("TestALapseIsTold")},
	{"a withdrawal not applied", judge, "\t\tj.k.Said.Withdraw(ev.Subject, at)\n", "",
		"what a person takes back stands", by("TestAWordTakenBackNoLongerStands")},
	{"pressure ends no word", known, "if k.overPressure(v, at) {", "if false {",
		"the vent counts as open with pressure in the boiler", by("TestWordsLapse")},
	{"water ends no word", known, "if seen.Run == blowdown.WaterBack {", "if false {",
		"the cocks count as dry after the boiler was filled", by("TestEachGuardHoldsAlone")},
	{"a fire ends no word", known, "if seen.Fire == fire.Relit {", "if false {",
		"ash counts as cleared though it burns", by("TestWordsLapse")},

	// Alarms.
	{"the on-delay dropped", alarms, "return m.set.OnDelayS\n", "return 0\n",
		"every flicker raises an alarm, until nobody looks any more", inAlarm},
	{"an acknowledged alarm lost over a restart", alarms, "\tm.s = s\n", "\tif m.s = s; s.State == Acknowledged {\n\t\tm.s.State = Normal\n\t}\n",
		"an alarm that stands is forgotten", inAlarm},
	{"a restart trusts what was last heard", alarms, "\ts.Condition = Unknown\n", "",
		"time in which nothing ran counts for a delay", inAlarm},
	{"what is not known clears", alarms, "m.s.In && m.s.Condition == Clear\n", "m.s.In && m.s.Condition != Holding\n",
		"an alarm ends because its sensor is lost", inAlarm},
	{"nobody needs to know", alarms, "return m.to(ReturnedUnacknowledged, s.Text, \"\", out)", "return m.to(Normal, s.Text, \"\", out)",
		"an alarm that came and went is never told", inAlarm},
	{"a shelf from which nothing comes back", alarms, "case s.State == Shelved && s.Now >= s.ShelvedUntil:\n\t\tout = m.back(\"\", out)", "case s.State == Shelved && s.Now >= s.ShelvedUntil:\n\t\tout = m.to(Normal, s.Text, \"\", out)",
		"an alarm put aside for an hour is put aside for good", inAlarm},
	{"what stands behind a suppression", alarms, "case s.In && s.Condition != Clear:", "case false:",
		"an alarm that stands when its suppression ends is not raised", inAlarm},
	{"any shelf", person, "case m.set.ShelfS <= 0:", "case false:",
		"an alarm too urgent to put aside is put aside", inAlarm},

	// Watches.
	{"the early side dropped", watches, "case Early:\n\t\tx += r.U", "case Early:",
		"what hurts people is raised only by the reading itself", inWatch},
	{"no limit is clear", watches, "case math.IsNaN(x) || math.IsNaN(lim) || math.IsNaN(band):\n\t\treturn alarm.Unknown", "case math.IsNaN(x) || math.IsNaN(lim) || math.IsNaN(band):\n\t\treturn alarm.Clear",
		"a reading that is no number clears an alarm", inWatch},
	{"a lost reading is clear", watches, "if !r.Known && !(r.Doubtful && d.Side == Early) {\n\t\treturn alarm.Unknown", "if !r.Known && !(r.Doubtful && d.Side == Early) {\n\t\treturn alarm.Clear",
		"an alarm clears because its sensor is lost", inWatch},
	{"a doubtful reading is silent", watches, "if !r.Known && !(r.Doubtful && d.Side == Early) {", "if !r.Known {",
		"a doubtful reading of what hurts people raises nothing", inWatch},
	{"a doubtful reading is known", watching, "return Reading{Value: n.Value, U: u(n.Value), Doubtful: true}", "return Reading{Value: n.Value, U: u(n.Value), Known: true}",
		"a doubtful reading clears an alarm", inWatch},
	{"people are not told to leave", watched, "if d.over(ppm, l.ppm, bandCOPPM) == alarm.Holding {", "if false {",
		"carbon monoxide never presses more than to advise", inWatch},
	{"a fire in an open boiler only as said", watched, "(k.SaidLit || k.Fire == FireRelit || burning)", "(k.SaidLit || burning && false)",
		"a fire that is seen under a boiler without its plugs raises nothing", inWatch},
	{"frost where nothing is known", watched, "case k.LayUp == telemetry.Dry:\n\t\treturn \"not seen to be out of the boiler\", true", "case k.LayUp == telemetry.Dry:\n\t\treturn \"nowhere\", false",
		"a boiler that nobody saw empty counts as empty in a frost", inWatch},
	{"pressure that rises unwatched", watched, "lim *= BrickTimes", "lim *= 100",
		"pressure that rises with the fire out raises nothing", inWatch},

	// Health of the sensors.
	{"doubts not applied", monitor, "if k := c.doubt(); k != Sound {", "if k := c.doubt(); k != Sound && false {",
		"a channel found wrong goes on proving", inHealth},
	{"a clock ahead believed", monitor, "if ahead := at.Sub(now); ahead > SkewS {", "if ahead := at.Sub(now); false {\n\t\t_ = ahead",
		"samples from the future are not told from others", inHealth},
	{"a clock behind believed", clock, "if k.behind == 0 && now.Sub(k.oldSince) >= ClockForS {", "if false {",
		"a clock that is behind is not told", inHealth},
	{"a whole node that repeats itself", monitor, "if m.nodes[c.node].frozen != 0 {", "if false {",
		"a node that froze goes on proving", inHealth},
	{"what there cannot be", channel, "if !(s.Value >= c.lo && s.Value <= c.hi) {", "if false {",
		"a number that there cannot be counts", inHealth},
	{"a jump believed", channel, "if c.jumps(at, s.Value) {", "if c.jumps(at, s.Value) && false {",
		"a single spike counts", inHealth},
	{"noise not seen", channel, "case over > NoiseOver:", "case false && over > NoiseOver:",
		"a sensor that scatters beyond its uncertainty counts", inHealth},
	{"a stuck sensor not seen", partners, "if by > need {\n\t\t\ttell(p, by)", "if false {\n\t\t\ttell(p, by)",
		"a sensor that stands while its partner moves counts", inHealth},
	{"a couple off its metal not seen", partners, "if own > k+s.u() && own > DetachedTimes", "if false && own > k+s.u() && own > DetachedTimes",
		"a couple that came off the shell, and falls, counts as a cold shell", inHealth},
	{"a transducer off the line not blamed", partners, "\tif pressure {\n\t\tm.blamePressure(at, p, pa)\n\t}\n", "\t_ = pressure\n",
		"a transducer that reads zero over steam counts", inHealth},
	{"a node silent unseen", monitor, "if since, silent := m.silent(i, now); silent {", "if since, silent := m.silent(i, now); silent && false {",
		"a node that says nothing any more is not told", inHealth},
}
