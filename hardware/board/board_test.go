package board_test

import (
	"errors"
	"fmt"
	"testing"

	"ashlamp/hardware/board"
	"ashlamp/hardware/devicetest"
	"ashlamp/hardware/thermocouple"
	"ashlamp/simulators/bus"
	"ashlamp/simulators/chip"
)

// memory is a chip that no driver knows: it answers everything with zeros.
type memory struct{}

func (memory) Tx(_, r []byte) error { clear(r); return nil }

// fickle answers a bare read and nothing else.
type fickle struct{}

func (fickle) Tx(w, r []byte) error {
	if len(w) > 0 {
		return errors.New("no acknowledge")
	}
	clear(r)
	return nil
}

func attach(t *testing.T, chips map[uint16]bus.Chip) *bus.Bus {
	t.Helper()
	b := bus.New("simulated")
	for addr, c := range chips {
		if err := b.Attach(addr, c); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

func TestScan(t *testing.T) {
	clock := devicetest.NewClock()
	w := chip.Wiring{Couple: thermocouple.K, Hot: func() float64 { return 20 }, Cold: func() float64 { return 20 }}
	ads := func() bus.Chip { return chip.NewADS1115(clock, [4]func() float64{}) }
	for _, c := range []struct {
		name  string
		chips map[uint16]bus.Chip
		want  []board.Found
		err   bool
	}{
		{name: "nothing"},
		{name: "all kinds", chips: map[uint16]bus.Chip{
			0x48: ads(), 0x4B: ads(), 0x60: chip.NewMCP9600(clock, w), 0x67: chip.NewMCP9601(clock, w), 0x50: memory{},
		}, want: []board.Found{
			{Addr: 0x48, Kind: "ads1115", Certainty: board.Likely, Name: "ADS1115"},
			{Addr: 0x4B, Kind: "ads1115", Certainty: board.Likely, Name: "ADS1115"},
			{Addr: 0x50},
			{Addr: 0x60, Kind: "mcp9600", Certainty: board.Certain, Name: "MCP9600 revision 1.0"},
			{Addr: 0x67, Kind: "mcp9600", Certainty: board.Certain, Name: "MCP9601 revision 1.0"},
		}},
		{name: "strangers at known addresses", chips: map[uint16]bus.Chip{0x49: memory{}, 0x61: memory{}},
			want: []board.Found{{Addr: 0x49}, {Addr: 0x61}}},
		{name: "answers once", chips: map[uint16]bus.Chip{0x60: fickle{}}, want: []board.Found{{Addr: 0x60}}, err: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := board.Scan(attach(t, c.chips))
			if fmt.Sprint(got) != fmt.Sprint(c.want) || (err != nil) != c.err {
				t.Fatalf("found %+v, %v; want %+v, error %v", got, err, c.want, c.err)
			}
		})
	}
}

func TestScanOfAStuckBusFindsNothing(t *testing.T) {
	b := attach(t, map[uint16]bus.Chip{0x50: memory{}})
	b.Stick(true)
	if got, err := board.Scan(b); len(got) != 0 || err != nil {
		t.Fatalf("found %+v, %v on a stuck bus", got, err)
	}
}

func TestOpenOfABusThatIsNotThere(t *testing.T) {
	b, err := board.Open("no-such-bus")
	if err == nil {
		b.Close()
		t.Fatal("a bus that is not there was opened")
	}
}

func TestKnownChipsShareNoAddress(t *testing.T) {
	taken := map[uint16]string{}
	for _, c := range board.Known() {
		for a := c.First; a <= c.Last; a++ {
			if was, ok := taken[a]; ok {
				t.Errorf("0x%02X belongs to %s and %s", a, was, c.Kind)
			}
			taken[a] = c.Kind
		}
	}
}
