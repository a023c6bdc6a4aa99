package node

import (
	"context"
	"errors"
	"fmt"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// MQTTConfig says where a node publishes and as whom.
type MQTTConfig struct {
	// Broker is a URL, for example tcp://127.0.0.1:1883.
	Broker string
	// Shed, Engine and Node are the ids in the topics.
	Shed, Engine, Node string
	// User and Password are empty where the broker asks for none.
	User, Password string
	// Now is the clock written into the node's own message.
	Now func() time.Time
}

// MQTT is a [Carrier] over MQTT 3.1.1, QoS 1. It reconnects by itself; a pack
// under way when the link breaks is sent again.
type MQTT struct {
	config MQTTConfig
	client mqtt.Client
}

// DialMQTT connects, says that the node is up (retained) and leaves its last
// will. It tries until ctx ends.
func DialMQTT(ctx context.Context, c MQTTConfig) (*MQTT, error) {
	m := &MQTT{config: c}
	here := fmt.Sprintf("sheds/%s/nodes/%s/here", c.Shed, c.Node)
	o := mqtt.NewClientOptions().AddBroker(c.Broker).SetClientID("node-"+c.Shed+"-"+c.Node).
		SetUsername(c.User).SetPassword(c.Password).
		SetProtocolVersion(4).SetCleanSession(false).SetOrderMatters(true).
		SetKeepAlive(10*time.Second).SetPingTimeout(5*time.Second).
		SetConnectTimeout(5*time.Second).SetMaxReconnectInterval(2*time.Second).
		SetAutoReconnect(true).
		SetBinaryWill(here, []byte(`{"up":false}`), 1, true)
	o.SetOnConnectHandler(func(client mqtt.Client) {
		body := append([]byte(`{"up":true,"t":`), appendSeconds(nil, c.Now().UnixMicro())...)
		client.Publish(here, 1, true, append(body, '}'))
	})
	m.client = mqtt.NewClient(o)
	for {
		err := wait(ctx, m.client.Connect())
		if err == nil {
			return m, nil
		}
		if ctx.Err() != nil {
			return nil, fmt.Errorf("node %s cannot reach the broker at %s: %w; is it running?", c.Node, c.Broker, err)
		}
		retry := time.NewTimer(200 * time.Millisecond)
		select {
		case <-ctx.Done():
			retry.Stop()
		case <-retry.C:
		}
	}
}

func wait(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Carry publishes a pack and waits for its acknowledgement.
func (m *MQTT) Carry(ctx context.Context, p Pack) error {
	topic := "sheds/" + m.config.Shed + "/engines/" + m.config.Engine + "/samples"
	if p.Shed {
		topic = "sheds/" + m.config.Shed + "/samples"
	}
	// A fresh payload each time: the client keeps it until it is acknowledged.
	err := wait(ctx, m.client.Publish(topic, 1, false, AppendSenML(nil, p.Samples)))
	if err != nil && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("publish on %s: %w", topic, err)
	}
	return err
}

// Close says that the node goes and leaves the broker, waiting at most ctx.
func (m *MQTT) Close(ctx context.Context) error {
	here := fmt.Sprintf("sheds/%s/nodes/%s/here", m.config.Shed, m.config.Node)
	err := wait(ctx, m.client.Publish(here, 1, true, []byte(`{"up":false}`)))
	m.client.Disconnect(250)
	return err
}
