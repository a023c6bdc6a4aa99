package notice

import (
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/watch"
)

// Example is a notice with when it is told, for the table of the documentation.
type Example struct {
	When   string
	Notice Notice
}

// Table returns an example of every kind and turn, and of every watch, as they would be
// told one evening of an engine called Quillet.
func Table() []Example {
	at := time.Date(2031, 5, 4, 20, 5, 0, 0, time.UTC)
	of := func(k Kind, subject string, t Turn, p alarm.Priority, f Facts) Notice {
		return Notice{
			Cause: "quillet/" + string(k) + at.Format("/20060102t150405z"), N: 1, Turn: t, Kind: k, Subject: subject,
			Engine: "quillet", Name: "Quillet", OfShed: ofShed(k, subject), At: at, Began: at, Priority: p, Facts: f,
		}
	}
	was, eta, lo, hi := at.Add(85*time.Minute), at.Add(135*time.Minute), at.Add(95*time.Minute), at.Add(190*time.Minute)
	expected := Facts{Was: &was, ETA: &eta, Lo: &lo, Hi: &hi}
	sooner := Facts{Was: &eta, ETA: &was, Lo: &at, Hi: &lo}
	out := []Example{
		{"all that its sensors show of “house” is proven", of(CoolEnough, "", Began, alarm.Medium, Facts{Yet: []string{"Ash cleared", "Ash-pan slide shut", "Smokebox door ajar"}})},
		{"the same, and nothing left to confirm", of(CoolEnough, "", Began, alarm.Medium, Facts{})},
		{"one of these is lost again", of(CoolEnough, "", Over, alarm.Medium, Facts{Text: "Smokebox cool: cannot be told now."})},
		{"a fire is seen in it", of(CoolEnough, "", Over, alarm.Medium, Facts{Text: "A fire was seen in it."})},
		{"it is said to be housed", of(CoolEnough, "", Over, alarm.Medium, Facts{Text: "It is housed.", Done: true})},
		{"“house” is proven", of(Ready, "", Began, alarm.Medium, Facts{})},
		{"a word lapses", of(Ready, "", Over, alarm.Medium, Facts{Text: "Ash-pan slide shut: nobody's word stands for it."})},
		{"it is said to be housed", of(Ready, "", Over, alarm.Medium, Facts{Text: "It is housed.", Done: true})},
		{"the forecast moves back", of(Moved, "", Began, alarm.Low, expected)},
		{"and forward again", of(Moved, "", Worse, alarm.Low, sooner)},
		{"it is cool enough", of(Moved, "", Over, alarm.Low, Facts{Text: "It is cool enough now.", Done: true})},
	}
	for _, d := range watch.Table() {
		text := ""
		if d.ID == "node-lost" {
			text = "Node cab is gone."
		}
		out = append(out, Example{"the alarm “" + d.ID + "” is raised", of(kindOf(d.ID), d.ID, Began, d.Priority, Facts{Title: d.Title, Action: d.Action, Text: text})})
	}
	rising := Facts{Title: "Pressure rises with the fire out", Action: "Look into the firebox and at the gauge. Let nobody work on the boiler."}
	seen, aside := rising, rising
	seen.By, aside.By = "N. Bray", "N. Bray"
	return append(
		out,
		Example{"an alarm is raised again, or presses more", of(Alarm, "pressure-rising", Worse, alarm.High, rising)},
		Example{"somebody acknowledges it", of(Alarm, "pressure-rising", Seen, alarm.High, seen)},
		Example{"somebody puts it aside", of(Alarm, "pressure-rising", Over, alarm.High, aside)},
		Example{"it is no longer so", of(Alarm, "pressure-rising", Over, alarm.High, rising)},
		Example{"many alarms at once", of(Alarm, Several, Began, alarm.Medium, Facts{Among: []string{"Vacuum in the boiler", "Shell cools too fast"}, Action: "Look at the page."})},
		Example{"a reminder stands for an hour", of(LayUp, "ash-pan", Began, alarm.Low, Facts{Title: "Ash pan: nobody has said that it is cleared. Damp ash eats plates."})},
		Example{"it is done", of(LayUp, "ash-pan", Over, alarm.Low, Facts{Title: "Ash pan: nobody has said that it is cleared. Damp ash eats plates.", Done: true})},
		Example{"damp for a day", of(LayUp, "damp", Began, alarm.Low, Facts{Title: dampTitle, Action: dampAction})},
		Example{"a battery runs down", of(Battery, "battery.cab", Began, alarm.Low, Facts{Title: "Battery of cab low", Action: "Charge or change it.", Text: "14 % left."})},
		Example{"it is charged", of(Battery, "battery.cab", Over, alarm.Low, Facts{Title: "Battery of cab low", Text: "96 % left."})},
	)
}
