package board_test

import (
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"ashlamp/hardware/board"
)

func TestPinByTheBoardsName(t *testing.T) {
	if _, err := board.Pin("GPIO17-of-no-board"); err == nil || !strings.Contains(err.Error(), "GPIO17-of-no-board") || !strings.Contains(err.Error(), "name one as the board does") {
		t.Errorf("a pin that is not there: %v", err)
	}
	pin := &gpiotest.Pin{N: "LAMP-UNDER-TEST", Num: 4711}
	if err := gpioreg.Register(pin); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = gpioreg.Unregister(pin.N) })
	got, err := board.Pin("LAMP-UNDER-TEST")
	if err != nil || got.Name() != "LAMP-UNDER-TEST" {
		t.Errorf("got %v, %v", got, err)
	}
}
