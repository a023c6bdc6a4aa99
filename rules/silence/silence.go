// Package silence finds out that a daemon was not there to judge: a neighbour's by what
// is heard of it, this shed's own by the marks that it left.
package silence

import (
	"time"

	"ashlamp/rules/alarm"
	"ashlamp/rules/notice"
)

// Limits. Each is common practice, no source, unless it says otherwise.
const (
	// Grace is how long a daemon that has said that it is up may be believed; the
	// contract has it for all that is published with until.
	Grace = 30 * time.Second
	// LookEvery is how often somebody must look for a silence to be found in time.
	LookEvery = 2 * time.Second
	// FoundWithin is when it is found at the latest, from the moment of the last word.
	FoundWithin = 45 * time.Second
	// away is how long nobody may have looked before what was not heard says nothing of
	// the neighbour: the board slept, or its clock was set.
	away = 15 * time.Second
	// mostGrace is the longest until that is believed of another's word.
	mostGrace = 2 * time.Minute
)

// Subject begins the subject of a notice of a neighbour, before the shed's id.
const Subject = "daemon/"

// timeOfDay is how a moment is told within a sentence; the day stands before it where
// that is another.
func timeOfDay(t, now time.Time, zone *time.Location) string {
	t, now = t.In(zone), now.In(zone)
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

// named makes the first turn of a cause. The moment by which it is named does not change
// when it has to be told again.
func named(subject, name string, began, now time.Time) notice.Notice {
	return notice.Notice{
		Cause: "/" + string(notice.Lost) + "/" + subject + began.UTC().Format("/20060102t150405.999999z"), N: 1,
		Turn: notice.Began, Kind: notice.Lost, Subject: subject, Name: name, At: now, Began: began,
		Priority: alarm.Medium,
	}
}
