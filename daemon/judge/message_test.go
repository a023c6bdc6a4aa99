package judge

import (
	"encoding/json"
	"math"
	"testing"

	"ashlamp/rules/energy"
	"ashlamp/rules/uncertainty"
)

func TestEnergyOnTheWire(t *testing.T) {
	nan := math.NaN()
	none := uncertainty.Value{X: nan, U: nan}
	for _, c := range []struct {
		name string
		in   energy.View
		want string
	}{
		{"all known", energy.View{
			Energy: uncertainty.Value{X: 256.188, U: 31.52}, Water: uncertainty.Value{X: 264.786, U: 35.33},
			Loss: uncertainty.Value{X: 1.4234, U: 0.1924}, FlashShare: uncertainty.Value{X: 0.161134, U: 0.000335},
			Flash: uncertainty.Value{X: 42.666, U: 5.693}, EnergyMost: nan, WaterMost: nan, FlashMost: nan,
		}, `{"energy_mj":{"value":256,"u":32},"water_kg":{"value":265,"u":36},"loss_kw":{"value":1.42,"u":0.2},"flash_kg":{"value":42.7,"u":5.7},"flash_share":{"value":0.161,"u":0.001}}`},
		{"a large boiler", energy.View{
			Energy: uncertainty.Value{X: 12345, U: 1234}, Water: uncertainty.Value{X: 7004, U: 900},
			Loss: none, FlashShare: none, Flash: none,
		}, `{"energy_mj":{"value":12300,"u":1300},"water_kg":{"value":7000,"u":900}}`},
		{"the glass shows nothing", energy.View{
			Energy: none, Water: none, Loss: none, Flash: none, FlashShare: uncertainty.Value{X: 0, U: 0.005},
			EnergyMost: 217.2, WaterMost: 281.4, FlashMost: 23.31, Why: "The glass shows nothing.", WhyNoLoss: "The glass shows nothing.",
		}, `{"flash_share":{"value":0,"u":0.005},"energy_most_mj":220,"water_most_kg":290,"flash_most_kg":24,"why":"The glass shows nothing.","why_no_loss":"The glass shows nothing."}`},
		{"nothing", energy.View{}, `{}`},
		{"infinite", energy.View{Energy: uncertainty.Value{X: 1, U: math.Inf(1)}, WaterMost: math.Inf(1)}, `{}`},
	} {
		got, err := json.Marshal(energyOf(c.in))
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if string(got) != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}
