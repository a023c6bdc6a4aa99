package watch_test

import (
	"testing"

	"ashlamp/rules/alarm"
	"ashlamp/rules/watch"
)

// TestABoilerThatIsHeatedIsToldThroughHotBrick: beside a firebox that cools twice the
// rise is left to the brick, counted from the end of its half hour; no more.
func TestABoilerThatIsHeatedIsToldThroughHotBrick(t *testing.T) {
	for _, tt := range []struct {
		name string
		bar  float64
		want alarm.Condition
	}{
		{"little more than the brick had made of it", 1.40, alarm.Clear},
		{"a step under twice the rise", 1.99, alarm.Between},
		{"at twice the rise", 2.00, alarm.Holding},
	} {
		k := known(dropped(0.5), func(k *watch.Known) {
			for _, s := range []float64{-1900, -1890, -1880, -1500, -1490} {
				k.Marks.Pressure(t0.Add(s), 1e5) // risen in the brick's half hour, and since
			}
			k.Pressure = r(tt.bar*1e5, 8000)
			k.FireboxRate = r(-50, 3)
		})
		d := get(t, "pressure-rising")
		if in, _ := d.Judge(k, t0, false); in.Condition != tt.want {
			t.Errorf("%s: %.2f bar over a lowest of 1 bar since: %s, want %s", tt.name, tt.bar, in.Condition, tt.want)
		}
	}
}
