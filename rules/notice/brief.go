package notice

// brief is a watch in the words of a lock screen: what is the matter, as it goes on after
// the engine's name and a colon, and what to do.
type brief struct{ title, action string }

// briefs are the watches of the table of rules/watch, whose own words are for a page and
// for people who stand beside the engine. What to do is theirs, shortened.
var briefs = map[string]brief{
	"over-pressure":    {"pressure is too high", "Injector on, fire door open, ash pan shut. Stand clear."},
	"water-low":        {"water is low in the glass", "Blow it through. Water: injector on. None: drop fire."},
	"lit-open":         {"fire with the plugs out", "Drop the fire. No water in before the plates are cold."},
	"fire-relit":       {"fire seen after it was dropped", "Look in. Rake out what burns, shut the damper."},
	"pressure-rising":  {"pressure rises with the fire out", "Look at fire and gauge. No work on the boiler."},
	"vacuum":           {"vacuum in the boiler", "Open the vent slowly and leave it open."},
	"co":               {"carbon monoxide", "20 ppm: open the doors. 50: out. 100: everybody out, count heads."},
	"frost":            {"frost, with water aboard", "Drain tanks, pumps, injectors, pipes; or warm the shed."},
	"tanks-unbalanced": {"tanks do not balance", "Look at the balance pipe and its cocks, and at both tanks."},
	"condensation":     {"water settles on its steel", "Keep damp air out, or warm the firebox a little."},
	"cooling-too-fast": {"shell cools too fast", "Shut ash pan and smokebox. Stop blowing down. No cold water."},
	"shell-spread":     {"shell far hotter at one end", "Stop what cools one end. Let it even out."},
	"sensor-fault":     {"a sensor is not to be relied upon", "Go by gauge, glass, try cock. See which."},
	"sensors-disagree": {"two sensors disagree", "Believe the worse. Compare gauge, glass and try cock."},
	"node-lost":        {"its sensors are silent", "Look at their supply and link. Put away? Then say so."},
	"clock-wrong":      {"a sensor box has the wrong time", "Set its clock. The page says which."},
	"store-trouble":    {"readings are not kept", "Look at the disk: is it full, or failing?"},
}
