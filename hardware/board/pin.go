package board

import (
	"fmt"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/host/v3"
)

// Pin returns a GPIO pin of this machine by the board's name for it, for example
// "GPIO17". It is neither driven nor changed by this.
func Pin(name string) (gpio.PinOut, error) {
	if _, err := host.Init(); err != nil {
		return nil, fmt.Errorf("look for GPIO pins: %w", err)
	}
	p := gpioreg.ByName(name)
	if p == nil {
		return nil, fmt.Errorf("there is no GPIO pin %q on this board; name one as the board does, such as \"GPIO17\", and let this user read and write the board's GPIO", name)
	}
	return p, nil
}
