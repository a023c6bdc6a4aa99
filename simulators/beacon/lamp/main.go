// Command lamp prints what a lamp or siren in the shed would show of one topic: lit, dark,
// or that nobody says.
//
//	go run ./simulators/beacon/lamp -broker mqtt://127.0.0.1:1883 -topic sheds/fernhollow/engines/quillet/steps/house
package main

import (
	"flag"
	"fmt"
	"os"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"ashlamp/simulators/beacon"
)

// lookEvery is how often it looks whether a message is past its time.
const lookEvery = 200 * time.Millisecond

func main() {
	broker := flag.String("broker", "mqtt://127.0.0.1:1883", "the broker")
	topic := flag.String("topic", "sheds/fernhollow/engines/quillet/steps/house", "a step or an alarm")
	flag.Parse()
	r := &beacon.Reader{Clock: true}
	o := paho.NewClientOptions().AddBroker(*broker).SetConnectRetry(true)
	o.SetOnConnectHandler(func(c paho.Client) {
		c.Subscribe(*topic, 1, func(_ paho.Client, m paho.Message) {
			if err := r.Take(m.Payload(), m.Retained(), time.Now()); err != nil {
				fmt.Fprintln(os.Stderr, "lamp:", err)
			}
		})
	})
	paho.NewClient(o).Connect()
	shown := ""
	for now := range time.Tick(lookEvery) {
		if says := r.Says(now); says != shown {
			shown = says
			fmt.Println(now.Format(time.TimeOnly), says)
		}
	}
}
